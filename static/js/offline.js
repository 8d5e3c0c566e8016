// Keeps this page and what it is made of on the tablet, so that a reload works without network. Only where the page came
// over https or from this machine; elsewhere the box works, and a reload waits for the network.

const cacheNamed = async (end) => (await caches.keys()).find((name) => name.endsWith(end)) || `bench-1${end}`;

export async function keepPage(worker) {
  if (!("serviceWorker" in navigator) || !isSecureContext || !navigator.onLine) return false;
  try {
    await navigator.serviceWorker.register(worker);
    await navigator.serviceWorker.ready;
    const parts = performance.getEntriesByType("resource").map((entry) => entry.name);
    const ours = [...new Set(parts)].filter((address) => new URL(address).pathname.startsWith("/static/"));
    const kept = await caches.open(await cacheNamed("-parts"));
    await Promise.all(ours.map(async (address) => (await kept.match(address)) || kept.add(address)));
    const page = await fetch(location.pathname, { redirect: "error" });
    if (page.ok) await (await caches.open(await cacheNamed("-pages"))).put(location.pathname, page);
    return page.ok;
  } catch {
    return false; // the network went: it is tried again after the next batch
  }
}
