// The box of a tablet: what is entered at the bench lies here, on the tablet itself, until the shop's computer has
// named it as kept; and the page that shows it lies here too. One box holds the entries of every person and check; each is sent for the person who made it.
//
//   const box = await openBox({person: 3, name: "T. Hale", check: 12, operations: "/bench/checks/0/operations/", ...});
//   await box.put({kind: "reading", key: 41, quantity: "balance_pin", value: "3.70", unit: "mm", instrument: null});
//
// A promise of put() is kept only once the entry is on the disk. box is an EventTarget: "change" when what it holds or
// how it stands has changed, "answer" with what the shop's computer says of the keys.

const NAME = "balance-rail";
const BATCH = 50;
const LONGEST_WAIT = 8000;
const SKEWED = 120_000; // milliseconds a clock may be off before it is said
const LARGEST_SIDE = 2400;
const PATIENCE = 15_000; // milliseconds an answer may take; a network that swallows everything must not hold the box
const PATIENCE_PHOTO = 60_000;

const done = (request) =>
  new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });

const finished = (transaction) =>
  new Promise((resolve, reject) => {
    transaction.oncomplete = resolve;
    transaction.onabort = () => reject(transaction.error);
  });

const openDisk = () =>
  new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => {
      const entries = request.result.createObjectStore("entries", { keyPath: "op" });
      entries.createIndex("order", ["person", "check", "seq"]);
      request.result.createObjectStore("facts");
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
    request.onblocked = () => reject(new Error("blocked"));
  });

// crypto.randomUUID is for secure pages only; a shop's own network may have none.
export const newOp = () => {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
};

// A photo small enough to travel; one that this tablet cannot read goes as it is, and the shop's computer says so.
export async function shrink(file) {
  try {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, LARGEST_SIDE / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    return (await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.85))) || file;
  } catch {
    return file;
  }
}

class NotNow extends Error {} // no network, or something between us that is not the shop

export class Box extends EventTarget {
  #disk;
  #facts; // person, name, check, addresses
  #held = new Map(); // op -> entry, of this person, in the order they were put in
  #timer = 0;
  #pause = 1000;
  #busy = false;
  #again = false;
  #closed = new Map(); // check -> why nothing more is sent for it
  #around = "BroadcastChannel" in globalThis ? new BroadcastChannel(NAME) : null;
  #headers;

  constructor(disk, facts) {
    super();
    this.#use(disk);
    this.#facts = facts;
    this.#headers = { Accept: "application/json", "X-CSRFToken": facts.csrf };
    this.network = "ok"; // ok, away, out (signed out), other (somebody else is signed in)
    this.offset = 0; // milliseconds that the shop's clock is ahead of this tablet's
    this.sent = 0;
    this.others = [];
  }

  // A browser may take the storage away from a page that lay in the background: it is asked for again at once.
  #use(disk) {
    this.#disk = disk;
    disk.onversionchange = () => disk.close(); // a newer page wants to change the storage
    disk.onclose = async () => {
      this.#use(await openDisk());
      await this.load();
    };
  }

  // --- what it holds ---

  get state() {
    const entries = [...this.#held.values()];
    const mine = entries.filter((entry) => !this.#facts.check || entry.check === this.#facts.check);
    const waiting = mine.filter((entry) => !entry.why);
    return {
      sent: this.sent,
      waiting: waiting.length,
      photos: waiting.filter((entry) => entry.blob).length,
      refused: mine.filter((entry) => entry.why).length,
      elsewhere: entries.length - mine.length,
      others: this.others.length,
      network: this.#closed.has(this.#facts.check) && mine.length ? "closed" : this.network,
      closed: this.#closed.get(this.#facts.check) || "",
      clock: Math.abs(this.offset) > SKEWED ? Math.round(this.offset / 1000) : 0,
    };
  }

  entries({ everywhere = false } = {}) {
    const all = [...this.#held.values()];
    return everywhere ? all : all.filter((entry) => entry.check === this.#facts.check);
  }

  closed(check) {
    return this.#closed.get(check) || "";
  }

  async load() {
    const transaction = this.#disk.transaction(["entries", "facts"]);
    const [all, offset] = await Promise.all([
      done(transaction.objectStore("entries").index("order").getAll()),
      done(transaction.objectStore("facts").get("offset")),
    ]);
    this.offset = offset || 0;
    this.#held = new Map(all.filter((entry) => entry.person === this.#facts.person).map((entry) => [entry.op, entry]));
    this.others = all.filter((entry) => entry.person !== this.#facts.person);
    this.#changed();
  }

  #changed() {
    this.dispatchEvent(new Event("change"));
  }

  #tellOthers() {
    this.#around?.postMessage("changed");
  }

  // --- putting in ---

  // keyName: what the key is called, for a person who reads what lies here.
  put(operation, keyName = "") {
    return this.#keep(operation, null, keyName);
  }

  putPhoto(blob, { key = null, keyName = "", caption = "" } = {}) {
    return this.#keep({ kind: "photo", key, caption }, blob, keyName);
  }

  async #keep(operation, blob, keyName) {
    // Transactions on one disk run in the order they are made, so entries keep the order they were put in.
    const transaction = this.#disk.transaction(["entries", "facts"], "readwrite", { durability: "strict" });
    const end = finished(transaction);
    const facts = transaction.objectStore("facts");
    const op = newOp();
    const entered = Date.now() + this.offset;
    const entry = {
      op,
      person: this.#facts.person,
      name: this.#facts.name,
      check: this.#facts.check,
      title: this.#facts.title,
      keyName,
      blob,
      why: "",
    };
    // Rising with seq even when the tablet's clock jumps back: the shop's computer puts entries in order by it.
    facts.get("last").onsuccess = (event) => {
      const last = event.target.result || { seq: 0, moment: 0 };
      const seq = last.seq + 1;
      const moment = Math.max(entered, last.moment + 1);
      facts.put({ seq, moment }, "last");
      entry.seq = seq;
      entry.operation = { ...operation, op, seq, taken_at: new Date(moment).toISOString() };
      transaction.objectStore("entries").add(entry);
    };
    await end;
    this.#held.set(op, entry);
    this.#changed();
    this.#tellOthers();
    this.send();
    return entry.operation;
  }

  async #drop(ops) {
    const transaction = this.#disk.transaction("entries", "readwrite", { durability: "strict" });
    for (const op of ops) transaction.objectStore("entries").delete(op);
    await finished(transaction);
    for (const op of ops) this.#held.delete(op);
  }

  async #write(entries) {
    const transaction = this.#disk.transaction("entries", "readwrite", { durability: "strict" });
    for (const entry of entries) transaction.objectStore("entries").put(entry);
    await finished(transaction);
    for (const entry of entries) this.#held.set(entry.op, entry); // load() may have read it anew meanwhile
  }

  // The person has read why an entry was not taken, and lets it go.
  async forget(op) {
    await this.#drop([op]);
    this.#changed();
    this.#tellOthers();
  }

  // Everything once more: what was refused may be taken now, a check may be open again.
  async retry() {
    this.#closed.clear();
    const refused = [...this.#held.values()].filter((entry) => entry.why);
    for (const entry of refused) entry.why = "";
    await this.#write(refused);
    this.#changed();
    this.#pause = 1000;
    await this.send();
  }

  // --- sending ---

  wake() {
    for (const [target, name] of [[window, "online"], [window, "pageshow"], [document, "visibilitychange"]])
      target.addEventListener(name, () => {
        this.#pause = 1000;
        this.send();
      });
    this.#around?.addEventListener("message", () => this.load());
    this.#isBack().then(() => this.#changed()); // how far the clock is off is best known before the first entry
    this.send();
  }

  // One sender at a time, over all pages of this tablet; who comes second leaves it to the first.
  async send() {
    this.#again = true;
    if (this.#busy) return;
    this.#busy = true;
    clearTimeout(this.#timer);
    try {
      while (this.#again) {
        this.#again = false;
        await this.#alone(() => this.#empty());
      }
    } finally {
      this.#busy = false;
      if (this.#sendable().length) {
        this.#timer = setTimeout(() => {
          this.#pause = Math.min(this.#pause * 2, LONGEST_WAIT); // grows with waiting, not with every entry made
          this.send();
        }, this.#pause);
      }
    }
  }

  async #alone(work) {
    if (navigator.locks)
      return navigator.locks.request(`${NAME}-sender`, { ifAvailable: true }, (lock) => (lock ? work() : null));
    // Without locks (a page that is not secure): a lease in the disk, which a dead page loses after ten seconds.
    const mine = newOp();
    const take = this.#disk.transaction("facts", "readwrite");
    const facts = take.objectStore("facts");
    facts.get("sender").onsuccess = (event) => {
      const held = event.target.result;
      if (!held || held.until < Date.now()) facts.put({ who: mine, until: Date.now() + 10_000 }, "sender");
    };
    await finished(take);
    const held = await done(this.#disk.transaction("facts").objectStore("facts").get("sender"));
    if (held?.who !== mine) return null; // another page had it, and may have freed it since
    try {
      return await work();
    } finally {
      const free = this.#disk.transaction("facts", "readwrite");
      free.objectStore("facts").delete("sender");
      await finished(free);
    }
  }

  #sendable() {
    return [...this.#held.values()].filter((entry) => !entry.why && !this.#closed.has(entry.check));
  }

  async #empty() {
    await this.load(); // another page may have sent or added some
    try {
      if ((this.network === "out" || this.network === "other") && !(await this.#isBack())) return;
      for (;;) {
        const waiting = this.#sendable();
        if (!waiting.length) break;
        const check = waiting[0].check;
        const ofCheck = waiting.filter((entry) => entry.check === check);
        const written = ofCheck.filter((entry) => !entry.blob).slice(0, BATCH);
        const went = written.length ? await this.#batch(check, written) : await this.#photo(check, ofCheck[0]);
        if (!went) return;
        this.#pause = 1000;
      }
      if (this.network !== "out" && this.network !== "other") this.network = "ok";
    } catch (error) {
      if (!(error instanceof NotNow)) throw error;
      this.network = "away";
    } finally {
      this.#changed();
    }
  }

  #address(name, check) {
    return this.#facts[name].replace("/0/", `/${check}/`);
  }

  // Answers true when it may go on. Nothing is taken out of the box unless the reply names it.
  async #batch(check, entries) {
    const operations = entries.map((entry) => entry.operation);
    const body = JSON.stringify({ person: this.#facts.person, operations });
    const reply = await this.#post(this.#address("operations", check), body, { "Content-Type": "application/json" });
    if (!reply.kept && reply.status >= 400 && reply.status < 500 && !this.#stands(reply, check)) {
      // The batch as a whole was not taken: halve it, so that one bad entry does not hold up the rest.
      if (entries.length > 1) {
        const half = entries.length >> 1;
        return (await this.#batch(check, entries.slice(0, half))) && (await this.#batch(check, entries.slice(half)));
      }
      entries[0].why = reply.error || String(reply.status);
      await this.#write(entries);
      return true;
    }
    return reply.kept ? this.#settle(entries, reply) : false;
  }

  async #photo(check, entry) {
    const form = new FormData();
    const { op, key, caption, taken_at } = entry.operation;
    form.set("op", op);
    form.set("person", this.#facts.person);
    form.set("key", key ?? "");
    form.set("caption", caption || "");
    form.set("taken_at", taken_at);
    form.set("photo", entry.blob, `${op}.jpg`);
    const reply = await this.#post(this.#address("photos", check), form, {});
    if (!reply.kept && reply.status >= 400 && reply.status < 500 && !this.#stands(reply, check)) {
      entry.why = reply.error || String(reply.status);
      await this.#write([entry]);
      return true;
    }
    return reply.kept ? this.#settle([entry], reply) : false;
  }

  // Whether the reply says that nothing can be sent at all for now: signed out, somebody else, a closed check.
  #stands(reply, check) {
    if (reply.status === 401 || reply.status === 403) {
      this.network = reply.error === "other" ? "other" : "out";
      return true;
    }
    if (reply.status === 409 || reply.status === 404) {
      this.#closed.set(check, reply.error || String(reply.status));
      return true;
    }
    return false;
  }

  async #post(address, body, headers) {
    let reply = await this.#once(address, body, headers);
    // A token that has gone stale: fetched once, for the same person only.
    if (reply.status === 403 && (await this.#isBack())) reply = await this.#once(address, body, headers);
    if (reply.status < 400) this.network = "ok";
    return reply;
  }

  async #once(address, body, headers) {
    try {
      const signal = AbortSignal.timeout(body instanceof FormData ? PATIENCE_PHOTO : PATIENCE);
      const options = { method: "POST", headers: { ...this.#headers, ...headers }, body, redirect: "error", signal };
      const answer = await fetch(address, options);
      if (answer.status >= 500 || answer.status === 408 || answer.status === 429) throw new NotNow();
      if (answer.status >= 400) {
        const { error } = (await answer.json().catch(() => null)) || {};
        // What says no without the shop's words is something between us; only a body too large is believed of it,
        // and a 403, which is the page for another role.
        if (!error && answer.status !== 413 && answer.status !== 403) throw new NotNow();
        return { status: answer.status, error: error || "" };
      }
      const told = await answer.json();
      if (!Array.isArray(told.kept) || !Array.isArray(told.refused)) throw new NotNow();
      this.#clock(told.time);
      return { status: answer.status, ...told };
    } catch (error) {
      throw error instanceof NotNow ? error : new NotNow();
    }
  }

  async #isBack() {
    try {
      const signal = AbortSignal.timeout(PATIENCE);
      const options = { headers: { Accept: "application/json" }, redirect: "error", signal };
      const answer = await fetch(this.#facts.token, options);
      if (answer.status === 401) {
        this.network = "out";
        return false;
      }
      if (!answer.ok) throw new NotNow();
      const told = await answer.json();
      if (told.person !== this.#facts.person) {
        this.network = "other";
        return false;
      }
      this.#headers["X-CSRFToken"] = told.token;
      this.#clock(told.time);
      this.network = "ok";
      return true;
    } catch {
      if (this.network === "ok") this.network = "away";
      return false;
    }
  }

  async #settle(entries, reply) {
    const kept = new Set(reply.kept);
    const refused = new Map(reply.refused.map((one) => [one.op, one]));
    const gone = entries.filter((entry) => kept.has(entry.op));
    await this.#drop(gone.map((entry) => entry.op));
    this.sent += gone.length;
    const changed = [];
    for (const entry of entries) {
      const no = refused.get(entry.op);
      if (!no) continue;
      if (no.reason === "clock_ahead" && !entry.turned) {
        // Nothing of it is stored yet, so it may be given the shop's time; by now the difference is known.
        entry.turned = true;
        entry.operation.taken_at = new Date(Date.parse(entry.operation.taken_at) + this.offset).toISOString();
      } else entry.why = no.why;
      changed.push(entry);
    }
    await this.#write(changed);
    if (changed.some((entry) => entry.turned && !entry.why)) await this.#fromNow();
    this.#changed();
    this.#tellOthers();
    if (reply.keys) this.dispatchEvent(new CustomEvent("answer", { detail: reply.keys }));
    return gone.length + changed.length > 0; // a reply that names none of them would be asked for ever
  }

  // After entries of a clock far ahead were given the shop's time: what comes next need not stand after that clock.
  async #fromNow() {
    const transaction = this.#disk.transaction("facts", "readwrite");
    const facts = transaction.objectStore("facts");
    facts.get("last").onsuccess = (event) =>
      facts.put({ seq: event.target.result.seq, moment: Date.now() + this.offset }, "last");
    await finished(transaction);
  }

  #clock(time) {
    const theirs = Date.parse(time);
    if (Number.isNaN(theirs)) return;
    const offset = theirs - Date.now();
    if (Math.abs(offset - this.offset) < 1000) return;
    this.offset = offset;
    this.#disk.transaction("facts", "readwrite").objectStore("facts").put(offset, "offset");
  }
}

// Opens the box. Rejects where this tablet can keep nothing: then the page must say so.
export async function openBox(facts) {
  const box = new Box(await openDisk(), facts);
  await box.load();
  navigator.storage?.persist?.();
  box.wake();
  return box;
}

// --- the page itself ---

// Keeps this page and what it is made of on the tablet, so that a reload works without network. Only where the page came
// over https or from this machine; elsewhere the box works, and a reload waits for the network.

const cacheNamed = async (end) => (await caches.keys()).find((name) => name.endsWith(end)) || `bench-1${end}`;

const oursIn = (addresses) => [...new Set(addresses)].filter((one) => new URL(one, location).pathname.startsWith("/static/"));

// A page that came through the worker was kept by it: when it is there for the first time, it need not be fetched again.
let keptByWorker = Boolean(navigator.serviceWorker?.controller);

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
    const here = keptByWorker && (await pages.match(location.pathname)) ? [] : [location.pathname];
    keptByWorker = false;
    for (const path of [...here, ...also]) {
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
