// The sheet of a check. Cells become fields; each is kept by itself as soon as it is left; Enter and Tab go down the
// column; a pasted block fills down. What is not kept yet stays typed, is counted in the corner and is sent again.

const sheet = document.getElementById("sheet");
const saving = document.getElementById("saving");
const said = sheet.dataset;
const LONGEST_WAIT = 8000;
const PICTURE_AFTER = 1500;

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_all, name) => values[name]);
const headers = JSON.parse(document.body.getAttribute("hx-headers") || "{}");

// --- cells become fields ---

const columns = [...sheet.querySelectorAll("thead th")].map((th) => ({
  quantity: th.dataset.quantity || "",
  words: th.textContent.trim(),
}));
const fields = new Map(); // "62 balance_pin" -> input
const name = (key, quantity) => `${key} ${quantity}`;

for (const row of sheet.querySelectorAll("tbody tr:not(.missing)")) {
  [...row.cells].forEach((cell, place) => {
    const { quantity, words } = columns[place];
    if (!quantity) return;
    const input = document.createElement("input");
    input.value = cell.textContent.trim();
    input.dataset.kept = input.value;
    input.id = `cell-${row.dataset.key}-${quantity}`;
    input.autocomplete = "off";
    input.spellcheck = false;
    if (quantity === "note") {
      input.className = "note";
      input.maxLength = 2000;
    } else input.inputMode = "decimal";
    const why = cell.title ? `, ${cell.title}` : "";
    input.dataset.words = `${row.cells[0].textContent.trim().replace(/\s+/g, " ")}, ${words}`;
    input.setAttribute("aria-label", input.dataset.words + why);
    Object.assign(input, { key: Number(row.dataset.key), quantity });
    cell.replaceChildren(input);
    fields.set(name(input.key, quantity), input);
  });
}

// --- moving ---

const rows = [...sheet.querySelectorAll("tbody tr")];

const neighbour = (input, step) => {
  let at = rows.indexOf(input.closest("tr")) + step;
  let column = columns.findIndex((one) => one.quantity === input.quantity);
  const named = columns.map((one, place) => [one, place]).filter(([one]) => one.quantity);
  for (;;) {
    for (; at >= 0 && at < rows.length; at += step) {
      const next = fields.get(name(Number(rows[at].dataset.key), columns[column].quantity));
      if (next) return next;
    }
    const place = named.findIndex(([, where]) => where === column) + step;
    if (place < 0 || place >= named.length) return null;
    column = named[place][1];
    at = step > 0 ? 0 : rows.length - 1;
  }
};

sheet.addEventListener("keydown", (event) => {
  const input = event.target;
  if (!input.quantity || event.altKey || event.ctrlKey || event.metaKey || event.isComposing) return;
  const down = event.key === "ArrowDown" || ((event.key === "Enter" || event.key === "Tab") && !event.shiftKey);
  const up = event.key === "ArrowUp" || ((event.key === "Enter" || event.key === "Tab") && event.shiftKey);
  if (event.key === "Escape") {
    input.value = input.dataset.kept;
    changed(input);
  }
  if (!down && !up) return;
  const next = neighbour(input, down ? 1 : -1);
  if (!next) return; // Tab leaves the sheet at its ends
  event.preventDefault();
  next.focus();
  next.select();
});

// --- keeping ---

const waiting = new Map(); // input -> text that is not kept yet
const refused = new Set();
let beyond = 0; // pasted, and no cell for it: said until something else is typed
let sending = false;
let pause = 1000;
let timer = 0;
let read = null;

const tell = (text, state) => {
  saving.textContent = text;
  saving.className = `saving ${state}`;
};
const count = () => {
  if (waiting.size) return tell(fill(said.saidSending, { count: waiting.size }), "waiting");
  if (beyond) return tell(fill(said.saidBeyond, { count: beyond }), "failed");
  if (refused.size) return tell(fill(said.saidRefused, { count: refused.size }), "failed");
  if (read !== null) tell(fill(said.saidKept, { read, wanted: said.wanted }), "");
};

const explain = (input, why) => {
  const cell = input.closest("td");
  cell.querySelectorAll(".error, .hint").forEach((line) => line.remove());
  cell.classList.toggle("bad", Boolean(why));
  input.toggleAttribute("aria-invalid", false);
  input.removeAttribute("aria-describedby");
  refused.delete(input);
  if (!why) return;
  const line = document.createElement("p");
  line.className = "error";
  line.id = `${input.id}-error`;
  line.textContent = why;
  cell.append(line);
  input.setAttribute("aria-invalid", "true");
  input.setAttribute("aria-describedby", line.id);
  refused.add(input);
};

// Kept, and odd all the same: said beside it.
const ask = (input, question) => {
  const line = document.createElement("p");
  line.className = "hint";
  line.id = `${input.id}-hint`;
  line.textContent = question;
  input.closest("td").append(line);
  input.setAttribute("aria-describedby", line.id);
};

const changed = (input) => {
  beyond = 0;
  if (input.value.trim() === input.dataset.kept && !waiting.has(input)) {
    explain(input, "");
    count();
    return;
  }
  explain(input, "");
  input.closest("td").classList.remove("saved");
  waiting.set(input, input.value);
  count();
  send();
};

sheet.addEventListener("change", (event) => {
  if (event.target.quantity) changed(event.target);
});

const post = (batch) =>
  fetch(said.cells, {
    method: "POST",
    headers: { ...headers, "Content-Type": "application/json", Accept: "application/json" },
    body: JSON.stringify({
      person: Number(said.person),
      cells: batch.map(([input, text]) => ({ key: input.key, quantity: input.quantity, text })),
    }),
  });

const freshToken = async () => {
  const answer = await fetch(said.token, { headers: { Accept: "application/json" } });
  if (!answer.ok) return false;
  headers["X-CSRFToken"] = (await answer.json()).token;
  return true;
};

async function send() {
  if (sending || !waiting.size) return;
  sending = true;
  clearTimeout(timer);
  const batch = [...waiting];
  let again = false;
  try {
    let answer = await post(batch);
    if (answer.status === 403 && (await freshToken())) answer = await post(batch);
    if (answer.status === 401 || answer.status === 403) {
      again = true;
      tell(fill(said.saidOut, { count: waiting.size }), "failed");
    } else if (answer.status >= 500) {
      throw new TypeError(`answer ${answer.status}`);
    } else {
      const told = await answer.json();
      if (answer.ok) keep(batch, told);
      else fail(batch, told.error);
      pause = 1000;
    }
  } catch (error) {
    if (!(error instanceof TypeError || error instanceof SyntaxError)) throw error;
    again = true; // no network, or something between us that is not the shop
    tell(fill(said.saidWaiting, { count: waiting.size }), "failed");
  } finally {
    sending = false;
  }
  if (again) {
    timer = setTimeout(send, pause);
    pause = Math.min(pause * 2, LONGEST_WAIT);
  } else if (waiting.size) send();
}

function fail(batch, why) {
  for (const [input, text] of batch) {
    if (waiting.get(input) === text) waiting.delete(input);
    explain(input, why);
  }
  tell(fill(said.saidFailed, { count: batch.length, why }), "failed");
}

function keep(batch, told) {
  batch.forEach(([input, text], place) => {
    const cell = told.cells[place];
    const untouched = waiting.get(input) === text;
    if (untouched) waiting.delete(input);
    if (cell.why) {
      if (untouched) explain(input, cell.why);
      return;
    }
    input.dataset.kept = cell.text;
    // Somebody who has gone back into the cell goes on typing undisturbed.
    if (untouched && !(document.activeElement === input && input.value !== text)) input.value = cell.text;
    if (untouched) {
      explain(input, "");
      input.closest("td").classList.add("saved");
      if (cell.ask) ask(input, cell.ask);
    }
  });
  for (const [quantity, marks] of Object.entries(told.marks)) mark(quantity, marks);
  for (const [key, grade] of Object.entries(told.grades)) regrade(key, grade);
  read = told.read;
  count();
  clearTimeout(refresh.timer);
  refresh.timer = setTimeout(refresh, PICTURE_AFTER);
}

function mark(quantity, marks) {
  for (const input of fields.values()) {
    if (input.quantity !== quantity) continue;
    const cell = input.closest("td");
    const [look, why] = marks[input.key] || ["", ""];
    cell.classList.remove("outlier", "differs", "skipped");
    if (look) cell.classList.add(look);
    cell.title = why;
    input.setAttribute("aria-label", why ? `${input.dataset.words}, ${why}` : input.dataset.words);
  }
}

function regrade(key, told) {
  const shown = document.querySelector(`#key-${CSS.escape(key)} .grade`);
  if (!shown) return;
  shown.className = `grade g${told.grade ?? "x"}`;
  shown.textContent = told.words;
}

async function refresh() {
  const picture = document.getElementById("picture");
  const answer = await fetch(picture.dataset.refresh, {
    headers: { "HX-Request": "true", "HX-Target": "picture" },
  }).catch(() => null); // the picture can wait: the readings are kept
  if (!answer?.ok) return;
  const parsed = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = parsed.getElementById("picture");
  if (fresh) picture.replaceWith(fresh);
}

// --- pasting a column or a block ---

sheet.addEventListener("paste", (event) => {
  const start = event.target;
  const text = event.clipboardData?.getData("text/plain") ?? "";
  if (!start.quantity || !/[\n\r\t]/.test(text.trimEnd())) return;
  event.preventDefault();
  const block = text.replace(/\r\n?/g, "\n").replace(/\n$/, "").split("\n").map((line) => line.split("\t"));
  const named = columns.filter((one) => one.quantity).map((one) => one.quantity);
  const top = rows.indexOf(start.closest("tr"));
  const left = named.indexOf(start.quantity);
  beyond = 0;
  block.forEach((line, r) =>
    line.forEach((value, c) => {
      if (!value.trim()) return;
      const row = rows[top + r];
      const input = row && named[left + c] ? fields.get(name(Number(row.dataset.key), named[left + c])) : null;
      if (!input) {
        beyond += 1;
        return;
      }
      input.value = value.trim();
      explain(input, "");
      waiting.set(input, input.value);
    }),
  );
  count();
  send();
});

window.addEventListener("online", send);
window.addEventListener("pageshow", send);
document.addEventListener("visibilitychange", send);
window.addEventListener("beforeunload", (event) => {
  if (waiting.size) event.preventDefault();
});
