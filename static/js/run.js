// The bench run: one key large, a pad, the row and a plot. Everything typed goes into the box first and is shown as kept
// when it lies there; nothing here waits for the network.

import { keepPage, openBox, shrink } from "./box.js";
import * as rules from "./rules.js";

const data = JSON.parse(document.getElementById("run-data").textContent);
const at = (id) => document.getElementById(id);
const words = data.words;
const say = (name, values = {}) => words[name].replace(/\{(\w+)\}/g, (_all, key) => values[key]);
const SVG = "http://www.w3.org/2000/svg";
const FONT = innerWidth < 1000 ? 17 : 13; // the drawing is 1104 wide and shrinks with the page

// --- what is known ---

const keys = data.keys;
const keyOf = new Map(keys.map((key) => [key.n, key]));
const missing = new Set(data.missing);
const here = keys.map((key) => key.n).filter((key) => !missing.has(key));
const sharp = new Set(keys.filter((key) => key.sharp).map((key) => key.n));
const sample = new Set(data.sample);
const quantities = new Map(data.quantities.map((one) => [one.slug, one]));
const grades = new Map(data.findings.flatMap((group) => group.findings.map((one) => [one.code, one.grade])));
const findingTitles = new Map(data.findings.flatMap((group) => group.findings.map((one) => [one.code, one.title])));
const states = new Map(); // key -> {values, findings, again, note, looked, grade}
const taken = new Map(); // "quantity key" -> values in force, the oldest first
const photos = new Map();

const stateOf = (key) => {
  if (!states.has(key)) states.set(key, { values: {}, findings: {}, again: {}, note: "", looked: false, grade: null });
  return states.get(key);
};
for (const [key, held] of Object.entries(data.holds)) {
  states.set(Number(key), { ...held, looked: held.grade !== null });
  for (const [quantity, value] of Object.entries(held.values)) taken.set(`${quantity} ${key}`, [value]);
}
for (const [quantity, groups] of Object.entries(data.repeats))
  for (const [key, ...values] of groups) taken.set(`${quantity} ${key}`, values);
const readingsAtFirst = [...taken.values()].reduce((sum, values) => sum + values.length, 0);

// --- how the person likes it, kept on the tablet ---

const shelf = `run ${data.person.id}`;
const usual = {
  order: data.sample.length ? "sample" : "up",
  step: 5,
  by: "key",
  gauges: { check: data.check.id, of: {} }, // in this check: quantity -> instrument
  left: data.person.left,
  position: data.person.position,
  sound: data.person.sound,
  keyboard: false,
  without: [],
};
const remembered = () => {
  try {
    return JSON.parse(localStorage.getItem(shelf)) || {};
  } catch {
    return {};
  }
};
const how = { ...usual, ...remembered() };
if (how.gauges.check !== data.check.id) how.gauges = usual.gauges;
// Keys that stand in the address are read now, whatever order the person likes.
const address = new URLSearchParams(location.search);
const askedFor = new Set(rules.keysIn(address.get("keys") || "", keys) || []);
const askedOf = new Set((address.get("quantities") || "").split(","));
if (askedFor.size) how.order = "asked";
else if (how.order === "asked") how.order = usual.order;
if (how.order === "sample" && !data.sample.length) how.order = "up";
const remember = () => {
  try {
    localStorage.setItem(shelf, JSON.stringify(how));
  } catch {
    // a tablet that keeps no habits is asked again next time
  }
};

// --- the order of steps ---

let steps = [];
let place = 0;
let noneInOrder = false; // no key is in the order that was chosen: all are read

const chosen = () => {
  const named = how.order === "asked" ? data.quantities.filter((one) => askedOf.has(one.slug)) : [];
  if (named.length) return named;
  const some = data.quantities.filter((one) => !how.without.includes(one.slug));
  return some.length ? some : data.quantities;
};

// What asks to be read again: two readings that do not agree, or one far from the others.
function lookAgain() {
  const pairs = new Set();
  for (const one of chosen()) {
    const far = oddOnes(one, valuesOf(one.slug));
    for (const key of here)
      if (far.has(key) || stateOf(key).again[one.slug] === "differ") pairs.add(`${one.slug} ${key}`);
  }
  return pairs;
}

function layOut(from = null, lastRead = null) {
  const marked = how.order === "again" ? lookAgain() : new Set();
  const wanted = rules.order(how.order, {
    here,
    sharp,
    step: how.step,
    sample,
    asked: askedFor,
    again: (key) => chosen().some((one) => marked.has(`${one.slug} ${key}`)),
    unread: (key) => chosen().some((one) => !(one.slug in stateOf(key).values)),
  });
  const order = wanted.length ? wanted : here;
  noneInOrder = !wanted.length;
  steps =
    how.by === "key"
      ? order.flatMap((key) => chosen().map((one) => [key, one.slug]))
      : chosen().flatMap((one) => order.map((key) => [key, one.slug]));
  if (marked.size) steps = steps.filter(([key, slug]) => marked.has(`${slug} ${key}`));
  const placeOfStep = (step) => steps.findIndex(([key, slug]) => key === step?.[0] && slug === step?.[1]);
  const isOpen = ([key, slug]) => !(slug in stateOf(key).values) && !(slug in stateOf(key).again);
  const same = placeOfStep(from);
  const since = ["asked", "again"].includes(how.order) ? -1 : placeOfStep(lastRead);
  const open = steps.findIndex((step, index) => index > since && isOpen(step));
  place = Math.max(same >= 0 ? same : open >= 0 ? open : steps.findIndex(isOpen), 0);
}

const current = () => ({ key: steps[place][0], quantity: quantities.get(steps[place][1]) });

// --- sounds: the eyes are on the caliper ---

let audio = null;
function beep(...tones) {
  if (!how.sound) return;
  audio ||= new AudioContext();
  audio.resume(); // a browser lets it sound only after the page was touched
  tones.forEach(([pitch, start, length]) => {
    const tone = audio.createOscillator();
    const volume = audio.createGain();
    tone.frequency.value = pitch;
    volume.gain.setValueAtTime(0.12, audio.currentTime + start);
    volume.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + start + length);
    tone.connect(volume).connect(audio.destination);
    tone.start(audio.currentTime + start);
    tone.stop(audio.currentTime + start + length);
  });
}
const click = () => beep([1400, 0, 0.04]);
const alarm = () => beep([660, 0, 0.12], [440, 0.14, 0.2]);

// --- drawing ---

const row = document.querySelector(".keyrow.live");
const pitch = Number(row.dataset.pitch);
const start = Number(row.dataset.x);
const width = row.viewBox.baseVal.width;
const placeOf = new Map(keys.map((key, index) => [key.n, index]));
const middleOf = (key) => start + (placeOf.get(key) + 0.5) * pitch;
const now = row.querySelector(".now");
const firstNow = here[0];
const PLOT = { height: 94, top: 24, bottom: 90 };

const drawn = (name, attributes, parent) => {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
};

const plot = drawn("svg", { viewBox: `0 0 ${width} ${PLOT.height}`, class: "run-plot-svg", role: "img" }, at("plot"));
const layers = ["band", "rules", "points", "selected", "line", "texts"].map((name) => drawn("g", { class: name }, plot));
const [bandLayer, rulesLayer, pointsLayer, selectedLayer, lineLayer, textsLayer] = layers;
const dots = new Map();
let axis = null;
let odd = new Set(); // keys whose reading lies far from the others

const valuesOf = (slug) => {
  const found = new Map();
  for (const key of here) {
    const value = states.get(key)?.values[slug];
    if (value !== undefined) found.set(key, value);
  }
  return found;
};

const clothBand = (quantity, values) => {
  if (!quantity.cloths) return quantity.limits;
  const pin = quantity.cloths.pin;
  const all = quantity.cloths.bands.map(([low, high]) => [low + pin, high + pin]);
  if (!values.length) return null;
  const held = all.map(([low, high]) => values.filter((value) => low <= value && value <= high).length);
  return all[held.indexOf(Math.max(...held))];
};

// How many no stocked cloth can serve: wider than the thickest fills, or tighter than the thinnest enters.
const beyondCloth = (quantity) => {
  const least = Math.min(...quantity.cloths.bands.map(([low]) => low));
  const most = Math.max(...quantity.cloths.bands.map(([, high]) => high));
  let count = 0;
  for (const [key, value] of valuesOf(quantity.slug)) {
    const over = value - (stateOf(key).values[quantity.pin] ?? quantity.cloths.pin);
    if (over < least || over > most) count += 1;
  }
  return count;
};

function scale(quantity) {
  const values = [...valuesOf(quantity.slug).values()];
  const beside = values.slice(1).map((value, index) => [values[index], value]);
  for (const held of Object.values(data.earlier.values)) if (quantity.slug in held) values.push(held[quantity.slug]);
  const band = clothBand(quantity, values);
  const room = quantity.floor * 6;
  const centre = values.length ? rules.median(values) : band ? (band[0] + band[1]) / 2 : null;
  if (centre === null) return null;
  const far = values.map((value) => Math.abs(value - centre)).sort((a, b) => a - b);
  const most = far.length ? far[Math.floor((far.length - 1) * 0.9)] * 1.3 : 0;
  // One reading far off stands at the edge; two beside each other are where a section begins, and are shown.
  const apart = beside.map(([one, other]) => [one - centre, other - centre]).filter(([one, other]) => one * other > 0);
  const step = Math.max(0, ...apart.map((pair) => Math.min(...pair.map(Math.abs)))) * 1.15;
  const half = Math.max(room, most, step, band ? Math.max(centre - band[0], band[1] - centre) * 1.15 : 0);
  return { slug: quantity.slug, low: centre - half, high: centre + half, band, centre };
}

const heightOf = (value) => {
  const share = Math.min(1, Math.max(0, (value - axis.low) / (axis.high - axis.low)));
  return PLOT.bottom - share * (PLOT.bottom - PLOT.top);
};

const oddOnes = (quantity, values) =>
  new Set(values.size < data.spread.fewest ? [] : rules.outliers(values, data.spread.k, quantity.floor));

function drawPlot() {
  const { quantity } = current();
  axis = scale(quantity);
  odd = oddOnes(quantity, valuesOf(quantity.slug));
  for (const layer of layers) layer.replaceChildren();
  dots.clear();
  const text = (x, y, content, anchor) => {
    const attributes = { x, y, "text-anchor": anchor, "font-size": FONT };
    drawn("text", attributes, textsLayer).textContent = content;
  };
  text(start, 13, `${quantity.title}, ${quantity.sign}`, "start");
  plot.setAttribute("aria-label", quantity.title);
  for (const [first] of data.sections.slice(1))
    if (placeOf.has(first)) {
      const x = start + placeOf.get(first) * pitch;
      drawn("path", { d: `M${x} ${PLOT.top}V${PLOT.bottom}`, class: "section" }, rulesLayer);
    }
  if (axis) {
    const end = start + keys.length * pitch;
    if (axis.band) {
      const [top, bottom] = [heightOf(axis.band[1]), heightOf(axis.band[0])];
      drawn("rect", { x: start, y: top, width: end - start, height: Math.max(bottom - top, 0) }, bandLayer);
    }
    const [low, centre, high] = [axis.low, axis.centre, axis.high].map((value) =>
      rules.show(Math.round(value), quantity.unit, quantity.decimals),
    );
    text(end, 13, say("axis", { low, centre, high }), "end");
    drawn("path", { d: `M${start} ${heightOf(axis.centre)}H${end}`, class: "centre" }, rulesLayer);
    for (const [key, value] of valuesOf(quantity.slug)) drawDot(key, value);
  }
  moveNow();
  drawSelection();
}

// The same marks as keyboards/drawing/plots.py.
const MARKS = {
  inside: (x, y) => `M${x} ${y}h.1`,
  outside: (x, y) => `M${x} ${y - 4.2}l4.2 4.2-4.2 4.2-4.2-4.2z`,
  odd: (x, y) => `M${x - 3} ${y - 3}l6 6m0 -6l-6 6m-1.9 -3a4.9 4.9 0 1 0 9.8 0a4.9 4.9 0 1 0 -9.8 0`,
};

function drawDot(key, value) {
  const x = middleOf(key);
  const y = heightOf(value);
  const outside = axis.band && (value < axis.band[0] || value > axis.band[1]);
  const stands = odd.has(key) ? "odd" : outside ? "outside" : "inside";
  dots.get(key)?.remove();
  const dot = drawn("g", { class: `point ${stands}`, "data-key": key }, pointsLayer);
  drawn("path", { d: `M${x} ${heightOf(axis.centre)}V${y}` }, dot);
  drawn("path", { d: MARKS[stands](x, y) }, dot);
  dots.set(key, dot);
}

// Whether the plot may stay as it is: the same band, and neither its ends nor its middle an eighth off where they belong
// now. A section of narrower mortises would lie along the lower edge else.
function axisHolds(quantity) {
  const next = scale(quantity);
  if (!axis || !next || String(axis.band) !== String(next.band)) return false;
  return ["low", "centre", "high"].every((end) => Math.abs(next[end] - axis[end]) <= (axis.high - axis.low) / 8);
}

// A reading has landed: one dot, or all where the others now stand differently.
function land(key, quantity, value) {
  const now_ = oddOnes(quantity, valuesOf(quantity.slug));
  const same = [...now_, ...odd].every((one) => one === key || (now_.has(one) && odd.has(one)));
  odd = now_;
  if (same && axisHolds(quantity)) drawDot(key, value);
  else drawPlot();
}

function moveNow() {
  const { key } = current();
  now.setAttribute("transform", `translate(${(placeOf.get(key) - placeOf.get(firstNow)) * pitch} 0)`);
  const x = middleOf(key);
  lineLayer.replaceChildren();
  drawn("path", { d: `M${x} ${PLOT.top - 4}V${PLOT.bottom + 4}` }, lineLayer);
}

function regrade(key) {
  const state = stateOf(key);
  const grade = state.grade ?? rules.gradeOf(state, grades, data.worn);
  const block = row.querySelector(`.key[data-key="${key}"]`);
  if (block) block.setAttribute("class", `key ${grade === null ? "unread" : `g${grade}`}`);
}

// --- several keys at once ---

let selection = null; // [first, last]

const selected = () => (selection ? here.filter((key) => key >= selection[0] && key <= selection[1]) : null);

function select(first, last) {
  selection = first === null ? null : [Math.min(first, last), Math.max(first, last)];
  showSelection();
}

function showSelection() {
  const found = selected() || picked;
  at("selection").hidden = !found;
  at("several").hidden = Boolean(found); // one stands in the other's place, so that nothing moves
  if (found) {
    const [first, last] = [found[0], found[found.length - 1]];
    const names = { first: keyOf.get(first)?.name, last: keyOf.get(last)?.name, n: found.length };
    at("selection").firstElementChild.textContent = say("selected", names);
  }
  drawSelection();
  showFindings();
}

function drawSelection() {
  selectedLayer.replaceChildren();
  for (const key of selected() || picked || []) {
    const x = start + placeOf.get(key) * pitch;
    drawn("rect", { x, y: PLOT.top - 6, width: pitch, height: PLOT.bottom - PLOT.top + 12 }, selectedLayer);
  }
}

let picked = null; // keys typed as a list

const targets = () => selected() || picked || [current().key];

function unselect() {
  if (!selected() && !picked) return;
  picked = null;
  select(null);
}

let dragFrom = null;
let dragged = false;
const keyUnder = (event) => {
  const box = row.getBoundingClientRect();
  const x = ((event.clientX - box.left) / box.width) * width;
  return keys[Math.min(keys.length - 1, Math.max(0, Math.floor((x - start) / pitch)))].n;
};
const stage = document.querySelector(".run-row");
stage.addEventListener("pointerdown", (event) => {
  if (event.target.closest("button")) return;
  dragFrom = keyUnder(event);
  dragged = false;
  stage.setPointerCapture(event.pointerId);
});
stage.addEventListener("pointermove", (event) => {
  if (dragFrom === null) return;
  const key = keyUnder(event);
  if (key !== dragFrom || dragged) {
    dragged = true;
    picked = null;
    select(dragFrom, key);
  }
});
stage.addEventListener("pointerup", (event) => {
  if (dragFrom !== null && !dragged) goTo(dragFrom);
  dragFrom = null;
});
stage.addEventListener("pointercancel", () => {
  dragFrom = null;
});
at("selection-clear").addEventListener("click", () => {
  unselect();
  reading.focus({ preventScroll: true });
});

// What was typed and not kept is said, never dropped in silence.
function leave() {
  const typed = [enters?.text, reading.value].filter(Boolean).join(" ");
  if (!typed) return;
  tell(say("left", { typed, name: keyOf.get(current().key).name }), { bad: true });
  alarm();
}

function goTo(key) {
  if (missing.has(key)) return;
  leave();
  unselect();
  const { quantity } = current();
  const found = steps.findIndex(([one, slug]) => one === key && slug === quantity.slug);
  if (found >= 0) place = found;
  else steps.splice(place, 0, [key, quantity.slug]); // a key outside the order: read now, then on
  show();
}

// --- showing one key ---

const reading = at("reading");
const readingBox = at("reading-box");

function figure(slug, value) {
  const quantity = quantities.get(slug);
  return value === undefined ? "–" : rules.show(value, quantity.unit, quantity.decimals);
}

function nameKeep() {
  at("keep-words").textContent = steps[place + 1]?.[0] === current().key ? words.keep_here : words.keep;
}

function show() {
  const { key, quantity } = current();
  const one = keyOf.get(key);
  asked = "";
  enters = null;
  readingBox.classList.remove("odd");
  at("key-of").textContent = say("key_of", { n: key, count: keys.length });
  at("key-name").textContent = one.name;
  at("key-colour").textContent = one.sharp ? words.sharp : words.natural;
  at("earlier-title").hidden = at("earlier").hidden = !data.earlier.title;
  at("earlier-title").textContent = data.earlier.title;
  at("earlier").textContent = figure(quantity.slug, data.earlier.values[key]?.[quantity.slug]);
  at("quantity").textContent = quantity.title;
  at("unit").textContent = quantity.sign;
  nameKeep();
  const gauge = data.gauges.find((one) => one.id === gaugeOf(quantity));
  at("instrument").textContent = gauge ? gauge.name : "";
  at("key-page").href = data.addresses.key.replace("/0/", `/${key}/`);
  keepNote(); // a tap on the pad or on the row leaves the focus where it was, so the field does not say that it changed
  noted = { key, text: stateOf(key).note };
  note.value = noted.text;
  at("photo-count").textContent = photos.get(key) || "";
  at("minus").hidden = !quantity.signed;
  reading.value = "";
  showHeld();
  if (!axis || axis.slug !== quantity.slug) drawPlot();
  else moveNow();
  showStatistics();
  showFindings();
}

// What is held of the key and of its neighbours; another tablet may change it while the key is large.
function showHeld() {
  const { key, quantity } = current();
  const index = here.indexOf(key);
  for (const [id, other] of [["lower", here[index - 1]], ["upper", here[index + 1]]]) {
    at(`${id}-title`).textContent = other ? say("key", { n: other, name: keyOf.get(other).name }) : words.no_key;
    at(id).textContent = other ? figure(quantity.slug, stateOf(other).values[quantity.slug]) : "–";
  }
  const held = stateOf(key).values[quantity.slug];
  reading.placeholder = held === undefined ? "" : figure(quantity.slug, held);
}

function showStatistics() {
  const { quantity } = current();
  const values = [...valuesOf(quantity.slug).values()];
  const decimals = quantity.decimals + 1;
  at("median").textContent = values.length ? figure(quantity.slug, Math.round(rules.median(values))) : "–";
  at("spread").textContent =
    values.length > 4 ? rules.show(Math.round(rules.middleHalf(values)), quantity.unit, quantity.decimals) : "–";
  const groups = [...taken].filter(([name]) => name.startsWith(`${quantity.slug} `)).map(([, found]) => found);
  const repeats = rules.repeatability(groups);
  at("repeat").textContent = repeats ? `${rules.show(Math.round(repeats.sd), quantity.unit, decimals)} (${repeats.freedom})` : "–";
  const wanted = new Set(steps.filter(([, slug]) => slug === quantity.slug).map(([key]) => key));
  const read = [...wanted].filter((key) => quantity.slug in stateOf(key).values).length;
  at("close").hidden = toGo() > 0;
  at("progress").textContent = say("of", { n: read, count: wanted.size });
  at("beyond").textContent = quantity.cloths ? beyondCloth(quantity) : "–";
}

// What is still to be read in this order: neither read nor left out on purpose. Keys that were asked for are read already,
// so what counts for them is what was read since this page was opened.
const readNow = new Set();
const toGo = () =>
  steps.filter(([key, slug]) =>
    ["asked", "again"].includes(how.order)
      ? !readNow.has(`${slug} ${key}`)
      : !(slug in stateOf(key).values) && !(slug in stateOf(key).again),
  ).length;

function tell(text, { bad = false } = {}) {
  const line = at("said");
  line.classList.toggle("calm", !bad);
  line.textContent = text;
}

// --- entering ---

let asked = ""; // what was typed when "look again" was asked: typed again it is kept
let enters = null; // of a plug gauge: what enters
const undone = []; // what may be taken back, the latest last

// The instrument chosen for this quantity, else the check's, else the only one there is for it.
function gaugeOf({ slug, gauges }) {
  const own = how.gauges.of[slug];
  if (own !== undefined) return gauges.includes(own) ? own : null;
  if (gauges.includes(data.gauge)) return data.gauge;
  return gauges.length === 1 ? gauges[0] : null;
}

function keep() {
  const { key, quantity } = current();
  const name = keyOf.get(key).name;
  const typed = how.position ? rules.pointed(reading.value, quantity.decimals) : reading.value;
  const found = rules.read(typed, quantity.unit);
  const trouble = (text) => {
    readingBox.classList.add("odd");
    reading.select(); // the next figure begins anew, from the pad, a keyboard or a caliper
    tell(text, { bad: true });
    alarm();
  };
  if (!found) {
    const example = rules.show(Math.round((quantity.low + quantity.high) / 2), quantity.unit, quantity.decimals);
    return trouble(say("not_a_number", { typed: reading.value, example }));
  }
  if (!found.text) {
    if (!(quantity.slug in stateOf(key).values)) return tell(words.empty, { bad: true });
    return step(1);
  }
  const fits = quantity.unit === "mm" || quantity.unit === "in" ? ["mm", "in"] : [quantity.unit];
  if (!fits.includes(found.unit)) return trouble(say("wrong_unit", { typed: reading.value, unit: quantity.sign }));
  if (found.value < quantity.low || found.value > quantity.high) {
    const [low, high] = [quantity.low, quantity.high].map((limit) => rules.show(limit, quantity.unit, quantity.decimals));
    return trouble(say("impossible", { typed: found.text, unit: found.unit, low, high }));
  }
  const gauge = data.gauges.find((one) => one.id === gaugeOf(quantity));
  const plug = gauge?.plug && quantity.unit !== "deg";
  const sized = (value) => rules.show(value, quantity.unit, quantity.unit === "in" ? 4 : 2);
  if (plug && enters && found.value <= enters.value) return trouble(say("order", { typed: enters.text }));
  const value = plug && enters ? Math.floor((enters.value + found.value) / 2) : found.value;
  const misfit = (!plug || enters) && misfitOfPin(key, quantity, value);
  if (misfit) return trouble(misfit);
  if (asked !== `${key} ${reading.value}`) {
    const doubt = plug && rules.plugDoubt(gauge.sizes, enters?.value ?? found.value, enters && found.value);
    const oddity = [
      doubt && say(doubt[0], { typed: sized(doubt[1]), name: gauge.name }),
      (!plug || enters) && oddness(key, quantity, value),
    ]
      .filter(Boolean)
      .join(" ");
    if (oddity) {
      asked = `${key} ${reading.value}`;
      at("keep-words").textContent = words.keep_it;
      return trouble(oddity);
    }
  }
  if (plug && !enters) {
    enters = found;
    asked = "";
    reading.value = "";
    nameKeep();
    const next = rules.nextPlug(gauge.sizes, found.value);
    return tell(next ? say("enters_next", { typed: found.text, next: sized(next) }) : say("enters", { typed: found.text }));
  }
  const operation = { kind: "reading", key, quantity: quantity.slug, value: found.text, unit: found.unit };
  operation.instrument = gaugeOf(quantity);
  if (plug) {
    if (enters.unit !== found.unit) return trouble(say("wrong_unit", { typed: reading.value, unit: enters.unit }));
    Object.assign(operation, { value: enters.text, high: found.text });
  }
  const text = plug ? `${enters.text}–${found.text}` : found.text;
  const from = place;
  // Shown at once, so that a fast hand is never waited for; taken back when the tablet cannot keep it.
  const group = `${quantity.slug} ${key}`;
  taken.set(group, [...(taken.get(group) || []), value]);
  readNow.add(group);
  place = Math.min(place + 1, steps.length - 1);
  stateOf(key).values[quantity.slug] = value;
  stateOf(key).looked = true;
  stateOf(key).grade = null;
  const count = taken.get(group).length;
  enters = null;
  asked = "";
  const several = targets();
  unselect(); // the hand goes on to the next key: what is ticked then is that key's
  lastRead = [key, quantity.slug];
  const last = { place: from, group, key, quantity: quantity.slug, value, kept: put(operation) };
  undone.push(last); // at once: what is taken back next is this one, however fast it is asked for
  last.kept.then(
    () => {
      click();
      if (undone.at(-1) !== last) return; // the next one is kept already, and said
      const told = say(count > 1 ? "again" : "is_kept", { name, typed: text, unit: quantity.sign, n: count });
      const ends = [several[0], several.at(-1)].map((one) => keyOf.get(one)?.name);
      const letGo = several.length > 1 ? ` ${say("let_go", { first: ends[0], last: ends[1] })}` : "";
      tell(`${told}${letGo} ${whatNext(key, from)}`);
    },
    () => {
      forget(last);
      takeOut(last);
      place = from;
      drawPlot();
      show();
      reading.value = text;
      trouble(words.lost);
    },
  );
  land(key, quantity, value);
  regrade(key);
  show();
}

// Bare wood is wider than its pin (keyboards/core/entries.py, misfit_of_pin): the shop's computer would not take it.
function misfitOfPin(key, quantity, value) {
  if (!data.check.bare) return "";
  const typical = quantity.pin ? rules.typicalPin([...valuesOf(quantity.pin).values()]) : null;
  const found = rules.misfitOfPin(quantity, value, stateOf(key).values, typical);
  const size = (length) => rules.show(length, quantity.unit, quantity.decimals);
  return found ? say("no_entry", { mortise: size(found.mortise), pin: size(found.pin) }) : "";
}

function oddness(key, quantity, value) {
  const pin = quantity.pin ? stateOf(key).values[quantity.pin] : undefined;
  if (pin !== undefined && value <= pin)
    return say("pin", { typed: figure(quantity.slug, value), pin: figure(quantity.slug, pin) });
  const values = valuesOf(quantity.slug);
  values.set(key, value);
  const [low, high] = quantity.usual;
  if (rules.isRare(value, quantity.usual, values.size, data.spread.fewest)) {
    const usual = { low: figure(quantity.slug, low), high: figure(quantity.slug, high) };
    return say("unusual", { typed: figure(quantity.slug, value), ...usual });
  }
  const far = oddOnes(quantity, values);
  if (!far.has(key)) return "";
  // Where a section begins the first key is asked about; those that read like it were looked at with it.
  const before = undone.findLast((one) => one.quantity === quantity.slug && one.key !== key);
  if (before && far.has(before.key) && Math.abs(value - before.value) <= data.spread.k * quantity.floor) return "";
  values.delete(key);
  const middle = figure(quantity.slug, Math.round(rules.median([...values.values()])));
  return say("look", { typed: figure(quantity.slug, value), middle });
}

// One reading no longer holds: what was read before it does.
function takeOut({ group, key, quantity, value }) {
  const values = taken.get(group) || [];
  const found = values.lastIndexOf(value);
  if (found >= 0) values.splice(found, 1);
  readNow.delete(group);
  const state = stateOf(key);
  if (values.length) state.values[quantity] = values.at(-1);
  else delete state.values[quantity];
  state.grade = null;
  regrade(key);
}

function whatNext(key, from) {
  const left = toGo();
  if (!left) return words.all_read;
  if (from === steps.length - 1) return say("end", { n: left });
  const next = current();
  return say("now", { name: next.key === key ? next.quantity.title : keyOf.get(next.key).name });
}

const step = (by) => {
  leave();
  unselect();
  place = Math.min(Math.max(place + by, 0), steps.length - 1);
  show();
};

function skip(why) {
  const { key, quantity } = current();
  const name = keyOf.get(key).name;
  const kept = put({ kind: "skip", key, quantity: quantity.slug, why });
  mayTakeBack(kept, name, markSkipped(key, quantity.slug));
  kept.then(
    () => {
      showStatistics();
      tell(say("skipped", { name }));
    },
    () => tell(words.lost, { bad: true }),
  );
  step(1);
}

// Whatever else was entered is taken back as well, in its turn: kept is its operation, or several, that the box has
// taken; back() puts what this page shows as it was.
function mayTakeBack(kept, name, back) {
  const last = { kept, name, back, place };
  undone.push(last);
  kept.catch(() => {
    forget(last);
    back();
  });
}

function forget(last) {
  const found = undone.indexOf(last);
  if (found >= 0) undone.splice(found, 1);
}

// A state may be replaced by what the shop's computer says, so each is looked up when it is changed.
function markSkipped(key, slug) {
  const before = stateOf(key).again[slug];
  if (!(slug in stateOf(key).values)) stateOf(key).again[slug] ||= "skip";
  return () => {
    if (!before) delete stateOf(key).again[slug];
  };
}

async function undo() {
  const last = undone.pop();
  if (!last) return tell(words.nothing_to_undo);
  const operations = await last.kept.catch(() => null);
  if (!operations) return tell(words.lost, { bad: true }); // it was never kept, and has been taken off the page
  try {
    await Promise.all([operations].flat().map(({ op, key }) => put({ kind: "withdraw", key, of: op })));
  } catch {
    undone.push(last);
    return tell(words.lost, { bad: true });
  }
  if (last.back) last.back();
  else {
    readings -= 1;
    truth();
    takeOut(last);
    drawPlot();
  }
  const same = steps.findIndex(([key, slug]) => key === last.key && slug === last.quantity);
  place = Math.min(same >= 0 ? same : (last.place ?? place), steps.length - 1);
  show();
  return tell(say("undone", { name: last.name ?? keyOf.get(last.key).name }));
}

// --- keys of the pad, of a keyboard, of a caliper that types ---

const TYPED = /^[0-9.,+\-−a-z"'°]$/i;

function press(name) {
  if (name === "Enter") return keep();
  readingBox.classList.remove("odd");
  if (reading.value && reading.selectionEnd - reading.selectionStart === reading.value.length) reading.value = "";
  else if (name === "Backspace") reading.value = reading.value.slice(0, -1);
  if (name === "-") reading.value = /^[-−]/.test(reading.value) ? reading.value.slice(1) : `-${reading.value}`;
  else if (name !== "Backspace" && reading.value.length < 24) reading.value += name;
  return preview();
}

function preview() {
  const { quantity } = current();
  const text = how.position ? rules.pointed(reading.value, quantity.decimals) : reading.value;
  tell(text === reading.value ? "" : say("will_be", { text: `${text} ${quantity.sign}` }));
}

// The focus stays where the reading is: a caliper's Enter must not press the button a finger has just left.
for (const part of [at("pad"), at("back").parentElement]) part.addEventListener("pointerdown", (event) => event.preventDefault());
at("pad").addEventListener("click", (event) => {
  const name = event.target.closest("button")?.dataset.key;
  if (name) press(name);
});
reading.addEventListener("input", () => {
  readingBox.classList.remove("odd");
  preview();
});

document.addEventListener("keydown", (event) => {
  const { target, key } = event;
  if (event.altKey || event.ctrlKey || event.metaKey || event.isComposing || document.querySelector("dialog[open]")) return;
  if (target !== reading && target.closest("input, textarea, select")) {
    if (key === "Escape") reading.focus({ preventScroll: true });
    return;
  }
  if (event.shiftKey && (key === "ArrowLeft" || key === "ArrowRight")) {
    const by = key === "ArrowLeft" ? -1 : 1;
    const [first, last] = selection || [current().key, current().key];
    const anchor = current().key;
    const end = (anchor === first ? last : first) + by;
    if (keyOf.has(end)) select(anchor, end);
  } else if (key === "Enter" && (target === reading || !target.closest("button, a"))) {
    if (!event.repeat) keep(); // a finger that rests on Enter confirms nothing
  } else if (key === "ArrowUp" || (key === "ArrowLeft" && !reading.value)) step(-1);
  else if (key === "ArrowDown" || (key === "ArrowRight" && !reading.value)) step(1);
  else if (key === "Escape") {
    reading.value = "";
    preview();
  } else if (target !== reading && (TYPED.test(key) || key === "Backspace")) {
    if (key === " ") return;
    press(key);
    reading.focus({ preventScroll: true });
  } else return;
  event.preventDefault();
});

// An answer is taken while its dialog shuts, not at its "close" event: that comes a moment later, and a number typed in
// that moment would land on the key that was large before.
function answered(dialog, take) {
  const shut = (event) => {
    event.preventDefault();
    dialog.close();
    take(event.submitter?.value);
    reading.focus({ preventScroll: true });
  };
  dialog.querySelector("form").addEventListener("submit", shut);
  dialog.addEventListener("cancel", shut); // Escape
}

at("back").addEventListener("click", () => step(-1));
at("skip").addEventListener("click", () => {
  const { key, quantity } = current();
  at("why-title").textContent = say("why_skip", { name: keyOf.get(key).name, quantity: quantity.title });
  at("why").showModal();
});
answered(at("why"), (why) => {
  if (why) skip(why);
});
at("undo").addEventListener("click", undo);

// --- findings, notes, photos ---

let group = data.findings[0]?.group;
let severity = 2;

const groupButtons = data.findings.map((one) => {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "finding-group";
  button.dataset.group = one.group;
  button.textContent = one.title;
  at("groups").append(button);
  return button;
});
at("groups").addEventListener("click", (event) => {
  const name = event.target.closest("button")?.dataset.group;
  if (!name) return;
  group = name;
  showFindings();
});

function showFindings() {
  const ones = targets();
  const worst = (code) => Math.max(0, ...ones.map((key) => stateOf(key).findings[code] || 0));
  for (const button of groupButtons) {
    const some = data.findings.find((one) => one.group === button.dataset.group).findings;
    const count = some.filter((one) => worst(one.code)).length;
    button.setAttribute("aria-pressed", button.dataset.group === group);
    button.classList.toggle("has", count > 0);
    button.dataset.count = count || "";
  }
  const list = data.findings.find((one) => one.group === group)?.findings || [];
  at("toggles").replaceChildren(
    ...list.map((one) => {
      const button = document.createElement("button");
      const bad = worst(one.code);
      const count = ones.filter((key) => stateOf(key).findings[one.code]).length;
      const some = count > 0 && count < ones.length; // on some of the keys that are chosen
      button.type = "button";
      button.className = "finding-toggle";
      button.dataset.code = one.code;
      button.setAttribute("aria-pressed", some ? "mixed" : count > 0);
      const how_bad = some ? say("of", { n: count, count: ones.length }) : "●".repeat(bad);
      button.textContent = bad ? `${one.title} ${how_bad}` : one.title;
      return button;
    }),
  );
}

document.querySelector(".severity").addEventListener("click", (event) => {
  const chosenOne = event.target.closest("button");
  if (!chosenOne) return;
  severity = Number(chosenOne.dataset.severity);
  for (const button of event.currentTarget.children) button.setAttribute("aria-pressed", button === chosenOne);
});

// Shows a finding of a key as so bad; what it answers shows it as it was.
function markFound(key, code, bad) {
  const { findings, looked, grade } = stateOf(key);
  const before = findings[code] || 0;
  const set = (found, facts) => {
    const state = Object.assign(stateOf(key), facts);
    if (found) state.findings[code] = found;
    else delete state.findings[code];
    regrade(key);
  };
  set(bad, { looked: true, grade: null });
  return () => set(before, { looked, grade });
}

at("toggles").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  const { code } = button.dataset;
  const title = findingTitles.get(code);
  const ones = targets();
  const there = ones.every((key) => stateOf(key).findings[code] === severity);
  const bad = there ? 0 : severity;
  const changed = ones.filter((key) => (stateOf(key).findings[code] || 0) !== bad);
  const backs = changed.map((key) => markFound(key, code, bad));
  const kept = Promise.all(changed.map((key) => put({ kind: "finding", key, finding: code, severity: bad })));
  mayTakeBack(kept, title, () => backs.forEach((back) => back()));
  kept.catch(() => {
    showFindings();
    tell(words.lost, { bad: true });
  });
  const one = changed.length === 1 ? "_one" : "";
  tell(say((bad ? "found" : "cleared") + one, { title, n: changed.length, name: keyOf.get(changed[0])?.name }));
  showFindings();
  at("toggles").querySelector(`[data-code="${CSS.escape(code)}"]`)?.focus({ preventScroll: true });
});

const note = at("note");
let noted = { key: here[0], text: "" }; // whose note stands in the field, and as it was kept
function markNoted(key, text) {
  const before = stateOf(key).note;
  const set = (words_) => {
    stateOf(key).note = words_;
    if (noted.key === key) noted.text = words_;
  };
  set(text);
  return () => set(before);
}
const keepNote = () => {
  const [{ key, text: before }, text] = [noted, note.value.trim()];
  if (text === before) return;
  const kept = put({ kind: "note", key, text });
  mayTakeBack(kept, keyOf.get(key).name, markNoted(key, text)); // not kept, it is as before and can be tried again
  kept.then(
    () => tell(say("note", { name: keyOf.get(key).name })),
    () => tell(words.lost, { bad: true }),
  );
};
note.addEventListener("change", keepNote);
note.addEventListener("keydown", (event) => {
  if (event.key !== "Enter") return;
  keepNote();
  reading.focus({ preventScroll: true });
});

at("photo").addEventListener("change", async (event) => {
  const { key } = current();
  const files = [...event.target.files];
  event.target.value = ""; // at once: the next photo may be chosen while this one is made smaller
  for (const file of files) {
    try {
      await box.putPhoto(await shrink(file), { key, keyName: keyOf.get(key).name });
      photos.set(key, (photos.get(key) || 0) + 1);
      if (current().key === key) at("photo-count").textContent = photos.get(key);
      tell(say("photo", { name: keyOf.get(key).name }));
    } catch {
      tell(words.lost, { bad: true });
    }
  }
});

const takeKeys = () => {
  const found = rules.keysIn(at("keys").value, keys)?.filter((key) => !missing.has(key));
  if (!found?.length) return tell(words.no_keys, { bad: true });
  at("keys").value = "";
  if (found.length === 1) {
    goTo(found[0]);
    return reading.focus({ preventScroll: true });
  }
  selection = null;
  picked = found;
  showSelection();
  return at("groups").querySelector("[aria-pressed=true]").focus({ preventScroll: true });
};
at("keys-take").addEventListener("click", takeKeys);
at("keys").addEventListener("keydown", (event) => {
  if (event.key === "Enter") takeKeys();
});

// --- what and how ---

const dialog = at("how");
const form = dialog.querySelector("form");
for (const one of data.quantities) {
  const label = document.createElement("label");
  label.className = "choice";
  const input = document.createElement("input");
  input.type = "checkbox";
  input.name = "quantity";
  input.value = one.slug;
  label.append(input, ` ${one.title}`);
  at("how-quantities").append(label);
}
at("how-open").addEventListener("click", () => {
  for (const input of form.querySelectorAll("[name=quantity]")) input.checked = !how.without.includes(input.value);
  form.elements.order.value = how.order;
  form.elements.by.value = how.by;
  form.elements.step.value = how.step;
  const { quantity } = current();
  const fit = data.gauges.filter((gauge) => quantity.gauges.includes(gauge.id));
  const options = [{ id: "", name: "–" }, ...fit].map((gauge) => new Option(gauge.name, gauge.id));
  at("how-gauge").replaceChildren(...options);
  at("how-gauge").value = gaugeOf(quantity) ?? "";
  at("how-gauge-title").textContent = say("measured_with", { quantity: quantity.title });
  for (const name of ["left", "position", "sound", "keyboard"]) form.elements[name].checked = how[name];
  dialog.showModal();
});
answered(dialog, () => {
  const { key, quantity } = current();
  leave();
  const without = String(how.without);
  how.without = [...form.querySelectorAll("[name=quantity]:not(:checked)")].map((input) => input.value);
  if (String(how.without) !== without) askedOf.clear();
  const orderChanged = how.order !== form.elements.order.value;
  how.order = form.elements.order.value;
  how.by = form.elements.by.value;
  how.step = Math.min(12, Math.max(2, Number(form.elements.step.value) || 5));
  const gauge = at("how-gauge").value ? Number(at("how-gauge").value) : null;
  if (gauge !== gaugeOf(quantity)) how.gauges.of[quantity.slug] = gauge;
  for (const name of ["left", "position", "sound", "keyboard"]) how[name] = form.elements[name].checked;
  remember();
  layOut(orderChanged ? null : [key, quantity.slug], lastRead);
  applyHow();
  show();
  drawPlot();
  if (noneInOrder) tell(words.none_in_order, { bad: true });
});

function applyHow() {
  at("bench").classList.toggle("left-handed", how.left);
  reading.inputMode = how.keyboard ? "decimal" : "none";
}

// --- the corner always tells the truth ---

const corner = at("saving");
let box = null;
let readings = readingsAtFirst;

function put(operation) {
  if (!box) return Promise.reject(new Error("no box"));
  if (operation.kind === "reading") readings += 1;
  return box.put(operation, keyOf.get(operation.key)?.name).catch((error) => {
    if (operation.kind === "reading") readings -= 1;
    throw error;
  });
}

function truth() {
  const { waiting, photos: pictures, refused, network, clock, elsewhere } = box.state;
  const parts = [readings === 1 ? words.one_kept : say("kept", { n: readings })];
  let look = "";
  if (waiting) {
    const [name, state] = {
      ok: ["sending", ""],
      away: ["waiting", "waiting"],
      out: ["out", "failed"],
      other: ["other", "failed"],
      closed: ["closed", "failed"],
    }[network];
    parts.push(say(name, { n: waiting }));
    if (pictures) parts.push(pictures === 1 ? words.one_photo : say("photos", { n: pictures }));
    look = state;
  }
  if (refused) {
    parts.push(say("refused", { n: refused }));
    look = "failed";
  }
  if (elsewhere) parts.push(say("elsewhere", { n: elsewhere }));
  if (clock) parts.push(say("clock", { minutes: Math.round(Math.abs(clock) / 60) }));
  const text = parts.join(" · ");
  if (corner.textContent !== text) corner.textContent = text;
  corner.className = `saving ${look}`;
}

// Where no mortise is read for its cloth, as in a final check, nothing is to be said of it.
at("beyond-title").hidden = at("beyond").hidden = !data.quantities.some((one) => one.cloths);

let lastRead = data.last; // [key, quantity] of the person's latest reading: where the run goes on
let refresh = 0;
function settled() {
  clearTimeout(refresh);
  if (!box.state.waiting) refresh = setTimeout(() => keepPage(data.addresses.worker, corner.getAttribute("href")), 3000);
}

// What lies in the box is newer than this page where it was loaded without network.
function overlay(entry) {
  const { kind, key, quantity, value, unit, high, finding, severity: bad, text } = entry.operation;
  const state = key ? stateOf(key) : null;
  const mayBack = (name, back) => undone.push({ kept: Promise.resolve(entry.operation), op: entry.op, name, back });
  if (kind === "reading") {
    const group = `${quantity} ${key}`;
    const [low, most] = [value, high ?? value].map((typed) => rules.read(typed, unit)?.value ?? 0);
    const middle = Math.floor((low + most) / 2);
    taken.set(group, [...(taken.get(group) || []), middle]);
    state.values[quantity] = middle;
    state.looked = true;
    readings += 1;
    lastRead = [key, quantity];
    undone.push({ value: middle, kept: Promise.resolve(entry.operation), op: entry.op, group, key, quantity });
  } else if (kind === "finding") mayBack(findingTitles.get(finding), markFound(key, finding, bad));
  else if (kind === "note") mayBack(keyOf.get(key).name, markNoted(key, text));
  else if (kind === "skip") mayBack(keyOf.get(key).name, markSkipped(key, quantity));
  else if (kind === "photo" && key) photos.set(key, (photos.get(key) || 0) + 1);
  else if (kind === "withdraw") {
    const found = undone.findIndex((one) => one.op === entry.operation.of);
    const [last] = found >= 0 ? undone.splice(found, 1) : [];
    if (last?.back) last.back();
    else if (last) {
      takeOut(last);
      readings -= 1;
    }
  }
  if (state) state.grade = null;
}

// The shop's computer did not take an entry: said at once, and no longer shown as held.
const seen = new Set();
let refusing = Promise.resolve(); // until what was refused is off the page: what holds instead is shown after it
async function sayRefused(entry) {
  seen.add(entry.op);
  const { kind, key, quantity } = entry.operation;
  if (kind === "reading") {
    const kept = await Promise.all(undone.map((one) => one.kept.catch(() => null)));
    const found = kept.findIndex((operation) => operation?.op === entry.op);
    if (found >= 0) {
      takeOut(undone.splice(found, 1)[0]);
      readings -= 1;
      if (quantity === current().quantity.slug) drawPlot();
      showStatistics();
    }
    truth();
  }
  tell([key ? keyOf.get(key)?.name : "", entry.why].filter(Boolean).join(": "), { bad: true });
  alarm();
}

const { id: person, name } = data.person;
const csrf = JSON.parse(document.body.getAttribute("hx-headers") || "{}")["X-CSRFToken"] || "";
try {
  box = await openBox({ person, name, check: data.check.id, title: data.check.title, csrf, ...data.addresses });
  for (const entry of box.entries())
    if (entry.why) seen.add(entry.op);
    else overlay(entry);
  box.addEventListener("change", () => {
    truth();
    settled();
    const refused = box.entries().filter((entry) => entry.why && !seen.has(entry.op));
    if (refused.length) refusing = Promise.all([refusing, ...refused.map(sayRefused)]);
  });
  box.addEventListener("answer", async (event) => {
    await refusing;
    const waiting = box.entries().filter((entry) => !entry.why);
    const onTheWay = new Set(waiting.map((entry) => entry.operation.key));
    const { quantity } = current();
    let changed = false;
    for (const [name_, held] of Object.entries(event.detail)) {
      const key = Number(name_);
      if (onTheWay.has(key)) continue; // it keeps what the tablet knows
      changed ||= stateOf(key).values[quantity.slug] !== held.values[quantity.slug];
      states.set(key, { ...held, looked: held.grade !== null });
      regrade(key);
    }
    if (!changed) return;
    drawPlot(); // another tablet reads the same check
    showHeld();
  });
} catch {
  corner.className = "saving failed";
  corner.textContent = words.no_box;
  for (const field of document.querySelectorAll("#bench :is(button, input)")) field.disabled = true;
}
layOut(null, lastRead);
applyHow();
show();
drawPlot();
for (const key of here) regrade(key);
if (box) {
  truth();
  reading.focus({ preventScroll: true });
  document.documentElement.dataset.ready = "yes";
  keepPage(data.addresses.worker, corner.getAttribute("href"));
}
