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
