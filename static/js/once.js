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
