// The page that shows what lies in this tablet's box, and lets a person send it, copy it, or let go what was refused.

import { keepPage, openBox } from "./box.js";

const data = JSON.parse(document.getElementById("box-data").textContent);
const list = document.getElementById("entries");
const standing = document.getElementById("standing");
const said = list.dataset;
const kinds = Object.fromEntries(
  ["reading", "finding", "note", "skip", "withdraw", "photo"].map((kind, place) => [kind, said.kinds.split("|")[place]]),
);

const cell = (row, text, kind = "td") => {
  const made = document.createElement(kind);
  made.textContent = text;
  row.append(made);
  return made;
};

const contents = ({ kind, quantity, value, high, unit, finding, severity, text, caption }) =>
  [kinds[kind], quantity?.replaceAll("_", " "), high ? `${value}–${high}` : value, unit, finding, severity, text, caption]
    .filter((part) => part !== undefined && part !== null && part !== "")
    .join(" ");

const stands = (entry) => (entry.why === "413" ? said.large : entry.why) || box.closed(entry.check) || said.waits;

const key = (entry) => [entry.operation.key, entry.keyName].filter(Boolean).join(" ");
// As the pages say it: "Thu 26 Nov 2026, 05:12".
const moment = (entry) =>
  new Date(entry.operation.taken_at).toLocaleString(document.documentElement.lang, {
    weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", hour12: false,
  });

const rows = () =>
  box.entries({ everywhere: true }).map((entry) => [
    entry.title,
    key(entry),
    contents(entry.operation),
    moment(entry),
    stands(entry),
  ]);

let box = null;

function show() {
  const entries = box.entries({ everywhere: true });
  const table = document.createElement("table");
  table.className = "plain";
  const head = table.createTHead().insertRow();
  for (const title of said.titles.split("|")) cell(head, title, "th").scope = "col";
  cell(head, "");
  const body = table.createTBody();
  for (const entry of entries) {
    const row = body.insertRow();
    const link = document.createElement("a");
    link.href = data.addresses.run.replace("/0/", `/${entry.check}/`);
    link.textContent = entry.title;
    cell(row, "").append(link);
    cell(row, key(entry));
    cell(row, contents(entry.operation));
    cell(row, moment(entry));
    cell(row, stands(entry)).className = entry.why || box.closed(entry.check) ? "outlier" : "";
    const last = cell(row, "");
    if (entry.why || box.closed(entry.check)) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "btn btn-danger";
      button.textContent = said.forget;
      button.addEventListener("click", () => confirm(said.sure) && box.forget(entry.op));
      last.append(button);
    }
  }
  const parts = [];
  if (entries.length) parts.push(table);
  else {
    const line = document.createElement("p");
    line.textContent = said.nothing;
    parts.push(line);
  }
  const theirs = new Map();
  for (const entry of box.others) theirs.set(entry.name, (theirs.get(entry.name) || 0) + 1);
  for (const [name, count] of theirs) {
    const line = document.createElement("p");
    line.className = "muted";
    line.textContent = said.theirs.replace("{n}", count).replaceAll("{name}", name);
    parts.push(line);
  }
  list.replaceChildren(...parts);
  const trouble = { out: said.signed, other: said.other, away: said.away }[box.network] || "";
  standing.hidden = !trouble || !entries.length;
  standing.textContent = trouble;
  for (const id of ["copy", "file"]) document.getElementById(id).hidden = !entries.length;
}

const quoted = (value) => `"${String(value).replace(/^[=+\-@\t\r]/, "'$&").replaceAll('"', '""')}"`;
const asText = (between) => [said.titles.split("|"), ...rows()].map((row) => row.map(quoted).join(between)).join("\r\n");

document.getElementById("copy").addEventListener("click", async (event) => {
  const button = event.currentTarget;
  const text = asText("\t");
  try {
    await navigator.clipboard.writeText(text);
  } catch {
    const field = document.createElement("textarea"); // a page that is not secure has no clipboard of its own
    field.value = text;
    document.body.append(field);
    field.select();
    document.execCommand("copy");
    field.remove();
  }
  button.textContent = button.dataset.done;
});
document.getElementById("file").addEventListener("click", () => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob(["\ufeff", asText(",")], { type: "text/csv" }));
  link.download = "entries.csv";
  link.click();
  URL.revokeObjectURL(link.href);
});

try {
  const csrf = JSON.parse(document.body.getAttribute("hx-headers") || "{}")["X-CSRFToken"] || "";
  box = await openBox({ person: data.person.id, name: data.person.name, check: 0, title: "", csrf, ...data.addresses });
  box.addEventListener("change", show);
  document.getElementById("send").addEventListener("click", () => box.retry());
  show();
  keepPage(data.addresses.worker);
} catch {
  list.textContent = said.none;
  for (const id of ["send", "copy", "file"]) document.getElementById(id).hidden = true;
}
document.documentElement.dataset.ready = "yes";
