// Pages on which somebody comes in, or changes over.

// Pages kept on a tablet belong to who was signed in: before somebody else signs in, they go.
if ("caches" in globalThis)
  caches.keys().then((names) => names.filter((name) => name.endsWith("-pages")).forEach((name) => caches.delete(name)));

// The pad for a PIN: six digits and it is sent. Without it the field takes them from a keyboard.
const form = document.querySelector("#pin");
if (form) {
  const field = form.querySelector("[name=pin]");
  const pad = form.querySelector(".keypad");

  const send = () => {
    if (field.value.length === 6) form.requestSubmit();
  };
  pad.hidden = false;
  field.inputMode = "none"; // two pads would be one too many
  pad.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    field.value = button.value ? (field.value + button.value).slice(0, 6) : field.value.slice(0, -1);
    if (button.value) send();
  });
  field.addEventListener("input", send);
}
