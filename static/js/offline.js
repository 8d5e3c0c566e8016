// Keeps this page and what it is made of on the tablet, so that a reload works without network. Only where the page came
// over https or from this machine; elsewhere the box works, and a reload waits for the network.

const cacheNamed = async (end) => (await caches.keys()).find((name) => name.endsWith(end)) || `bench-1${end}`;

const oursIn = (addresses) => [...new Set(addresses)].filter((one) => new URL(one, location).pathname.startsWith("/static/"));

// also: other pages that are reached from this one, kept with what they name.
export async function keepPage(worker, ...also) {
  if (!("serviceWorker" in navigator) || !isSecureContext || !navigator.onLine) return false;
  try {
    await navigator.serviceWorker.register(worker);
    await navigator.serviceWorker.ready;
    const pages = await caches.open(await cacheNamed("-pages"));
    const kept = await caches.open(await cacheNamed("-parts"));
    const keepParts = (addresses) =>
      Promise.all(oursIn(addresses).map(async (address) => (await kept.match(address)) || kept.add(address)));
    await keepParts(performance.getEntriesByType("resource").map((entry) => entry.name));
    for (const path of [location.pathname, ...also]) {
      const page = await fetch(path, { redirect: "error" });
      if (!page.ok) return false;
      await pages.put(path, page.clone());
      const named = new DOMParser().parseFromString(await page.text(), "text/html").querySelectorAll("[src], link[href]");
      await keepParts([...named].map((one) => one.getAttribute("src") || one.getAttribute("href")));
    }
    return true;
  } catch {
    return false; // the network went: it is tried again after the next batch
  }
}
