// A page that changes in parts: an expired session or a lost network is said, never swallowed.

const words = document.getElementById("parts").dataset;

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
