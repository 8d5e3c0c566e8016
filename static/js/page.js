// What every page does: one file, fetched once.

// A form that is under way is not sent again by a second click: a reading taken again, a photo's angle or a PIN that failed would count
// twice. A parcel leaves the page where it is, so a form may be sent anew after a while.
const underWay = new WeakSet();

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post") return;
  if (underWay.has(form)) event.preventDefault();
  underWay.add(form);
  setTimeout(() => underWay.delete(form), 10_000);
});

// A page that changes in parts: an expired session or a lost network is said, never swallowed.
const words = document.getElementById("parts")?.dataset;

const say = (text) => {
  let box = document.querySelector(".messages");
  if (!box) {
    box = document.createElement("div");
    box.className = "messages";
    document.querySelector("main").before(box);
  }
  const line = document.createElement("p");
  line.className = "message bad";
  line.setAttribute("role", "alert");
  line.textContent = text;
  box.replaceChildren(line);
};

document.addEventListener("htmx:sendError", () => say(words.away));
document.addEventListener("htmx:responseError", (event) => {
  const status = event.detail.xhr.status;
  say(status === 401 || status === 403 ? words.out : words.failed.replace("{status}", status));
});

// What changes the parts, htmx, is a quarter of a first page, and most pages are only looked at: it is fetched when a
// part is first touched. What was typed or chosen meanwhile is told once more when it is there; a form that is sent
// meanwhile goes the way it goes without scripts.
const touches = ["pointerdown", "focusin", "input", "change"];
const meanwhile = { input: new Set(), change: new Set() };
let coming = false;

function touched(event) {
  if (!event.target.closest?.("[hx-get], [hx-post]")) return;
  meanwhile[event.type]?.add(event.target);
  // Before the page is there as a whole, htmx would wait for a moment that has gone by.
  if (document.readyState === "complete") fetchHtmx();
  else addEventListener("load", fetchHtmx);
}

function fetchHtmx() {
  if (coming) return;
  coming = true;
  const script = document.createElement("script");
  script.src = words.htmx;
  script.addEventListener("load", () => {
    for (const kind of touches) document.removeEventListener(kind, touched, true);
    for (const [kind, fields] of Object.entries(meanwhile))
      for (const field of fields) field.dispatchEvent(new Event(kind, { bubbles: true }));
  });
  script.addEventListener("error", () => {
    coming = false; // the next touch tries again
    say(words.away);
  });
  document.head.append(script);
}

if (words) {
  for (const kind of touches) document.addEventListener(kind, touched, true);
  if (document.querySelector("[hx-trigger^=every]")) addEventListener("load", fetchHtmx);
  // A page that it put into the history is its to bring back.
  addEventListener("popstate", (event) => !coming && event.state?.htmx && location.reload());
}
