// What every page needs from a script: an expired session or a lost network is said, never swallowed.

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

document.addEventListener("htmx:sendError", () =>
  say("The shop's computer cannot be reached. Nothing you typed is lost; try again in a moment."),
);
document.addEventListener("htmx:responseError", (event) => {
  const status = event.detail.xhr.status;
  if (status === 401 || status === 403) say("You are signed out, or this is not for your role. Sign in again in another tab and go on here.");
  else say(`That did not work (answer ${status}). Nothing you typed is lost.`);
});

// Pages kept on a tablet belong to who was signed in: signed out, or before somebody else signs in, they go.
if ("caches" in globalThis && !document.querySelector(".topbar .who"))
  caches.keys().then((names) => names.filter((name) => name.endsWith("-pages")).forEach((name) => caches.delete(name)));
