// The rules of a reading that must hold without network: the same as keyboards/core/quantities.py, spread.py and
// grading.py, which have the last word. A test holds the two equal.

const PER_UNIT = { mm: 1000, in: 25400, deg: 1000, g: 1000 };
const NUMBER = /^[+-]?(\d{1,6}([.,]\d{1,6})?|[.,]\d{1,6})$/;
// What calipers and gauges send behind a number.
const UNITS = { mm: "mm", in: "in", inch: "in", '"': "in", "''": "in", deg: "deg", "°": "deg", g: "g" };
const MAD_TO_SD = 1.482602218505602;

// "5.62", "5,62 mm", "0.2213in" -> {text, unit, value}; {text: ""} for nothing; null for what is no number.
export function read(typed, unit) {
  const cleaned = typed.normalize("NFC").trim().replace(/\u2212/g, "-").replace(/\s+/g, "");
  if (!cleaned) return { text: "" };
  const [, text, behind] = /^([^a-z"'°]*)(.*)$/i.exec(cleaned);
  const own = behind ? UNITS[behind.toLowerCase()] : unit;
  if (!own || !NUMBER.test(text)) return null;
  const value = Math.round(Math.abs(Number(text.replace(",", "."))) * PER_UNIT[own] * (1 + Number.EPSILON));
  return { text, unit: own, value: text.startsWith("-") ? -value : value };
}

// 562 -> 5.62: digits alone, the point set by how many decimals the quantity has.
export const pointed = (typed, decimals) => {
  const found = /^([+-]?)(\d+)$/.exec(typed.trim());
  if (!found || !decimals) return typed;
  const digits = found[2].padStart(decimals + 1, "0");
  return `${found[1]}${digits.slice(0, -decimals)}.${digits.slice(-decimals)}`;
};

export const show = (value, unit, decimals) => (value / PER_UNIT[unit]).toFixed(decimals).replace("-", "\u2212");

export const median = (values) => {
  const ordered = [...values].sort((a, b) => a - b);
  const middle = ordered.length >> 1;
  return ordered.length % 2 ? ordered[middle] : (ordered[middle - 1] + ordered[middle]) / 2;
};

const quantile = (values, part) => {
  const ordered = [...values].sort((a, b) => a - b);
  const place = part * (ordered.length - 1);
  const below = Math.floor(place);
  const above = Math.min(below + 1, ordered.length - 1);
  return ordered[below] + (place - below) * (ordered[above] - ordered[below]);
};

export const middleHalf = (values) => quantile(values, 0.75) - quantile(values, 0.25);

// Keys whose reading lies far off the line of the others (Theil-Sen, k times 1.4826 MAD, at least the floor).
export function outliers(readings, k, floor) {
  const points = [...readings];
  if (points.length < 2) return [];
  const slopes = [];
  for (let i = 0; i < points.length; i += 1)
    for (let j = i + 1; j < points.length; j += 1)
      slopes.push((points[j][1] - points[i][1]) / (points[j][0] - points[i][0]));
  const slope = median(slopes);
  const intercept = median(points.map(([key, value]) => value - slope * key));
  const residuals = points.map(([key, value]) => value - intercept - slope * key);
  const centre = median(residuals);
  const limit = k * Math.max(MAD_TO_SD * median(residuals.map((one) => Math.abs(one - centre))), floor);
  return points.filter((_point, place) => Math.abs(residuals[place] - centre) > limit).map(([key]) => key);
}

// A bare mortise is wider than its pin (keyboards/core/entries.py, misfit_of_pin): {mortise, pin} where a reading says
// something else, or null. pin, mortise: what the quantity stands beside; values: what is held of its key.
export function misfitOfPin({ pin, mortise }, value, values, typical) {
  const narrow = (width, size) => (width <= size ? { mortise: width, pin: size } : null);
  if (pin) {
    const own = values[pin] ?? typical;
    return own === null ? null : narrow(value, own);
  }
  return mortise && values[mortise] !== undefined ? narrow(values[mortise], value) : null;
}
export const typicalPin = (pins) => (pins.length ? Math.round(median(pins)) : null);

// Asked about while fewer than `fewest` are read, this one among them: then there are no others to hold it against.
export const isRare = (value, [low, high], read, fewest) => read < fewest && (value < low || value > high);

// What is odd about a reading of plug gauges (keyboards/core/plugs.py): [why, size], or null.
const SAME_GAUGE = 13;
export function plugDoubt(sizes, enters, stops = null) {
  for (const value of [enters, stops])
    if (sizes.length && value !== null && Math.min(...sizes.map((size) => Math.abs(size - value))) > SAME_GAUGE)
      return ["stranger", value];
  const untried = stops === null ? undefined : sizes.find((size) => enters + SAME_GAUGE < size && size < stops - SAME_GAUGE);
  return untried === undefined ? null : ["between", untried];
}
export const nextPlug = (sizes, enters) => sizes.find((size) => size > enters + SAME_GAUGE);

// The worst of findings (code -> severity) and readings; null where nobody looked.
export function gradeOf(state, grades, worn) {
  const found = Object.entries(state.findings).map(([code, severity]) => {
    const grade = grades.get(code) ?? 0;
    return severity <= 0 ? 0 : severity === 1 && grade > 1 ? grade - 1 : grade;
  });
  const read = worn.filter(([quantity, above]) => (state.values[quantity] ?? above) > above).map(([, , grade]) => grade);
  const looked = state.looked || Object.keys(state.values).length || Object.keys(state.findings).length;
  return looked ? Math.max(0, ...found, ...read) : null;
}

// sqrt(sum (x - mean)^2 / sum (n - 1)) over groups of repeats (ISO 5725-2); null without a repeat.
export function repeatability(groups) {
  let squares = 0;
  let freedom = 0;
  for (const group of groups) {
    if (group.length < 2) continue;
    const mean = group.reduce((sum, value) => sum + value, 0) / group.length;
    squares += group.reduce((sum, value) => sum + (value - mean) ** 2, 0);
    freedom += group.length - 1;
  }
  return freedom ? { sd: Math.sqrt(squares / freedom), freedom } : null;
}

// The order in which keys are read. here: key numbers that came with the set.
export function order(name, { here, sharp, step, sample, again, unread, asked = new Set() }) {
  switch (name) {
    case "down":
      return [...here].reverse();
    case "colour":
      return [...here.filter((key) => !sharp.has(key)), ...here.filter((key) => sharp.has(key))];
    case "step":
      return here.filter((_key, place) => place % step === 0);
    case "sample":
      return here.filter((key) => sample.has(key));
    case "asked":
      return here.filter((key) => asked.has(key));
    case "again":
      return here.filter((key) => again(key));
    case "unread":
      return here.filter((key) => unread(key));
    default:
      return [...here];
  }
}

// "C3 to G4, 40-52" -> key numbers of the set in order; null where a word is no key of it.
export function keysIn(text, keys) {
  const byName = new Map(keys.map((key) => [key.name.replace("♯", "#").toLowerCase(), key.n]));
  const flats = { "d♭": "c#", db: "c#", eb: "d#", "e♭": "d#", gb: "f#", "g♭": "f#", ab: "g#", "a♭": "g#", bb: "a#", "b♭": "a#" };
  const one = (word) => {
    if (/^\d+$/.test(word)) return keys.some((key) => key.n === Number(word)) ? Number(word) : null;
    const plain = word.toLowerCase().replace("♯", "#");
    const [, note, octave] = /^(\D+)(\d+)$/.exec(plain) || [null, plain, ""];
    return byName.get(`${flats[note] ?? note}${octave}`) ?? null;
  };
  const found = new Set();
  const joined = text.trim().replace(/\s*(–|-|\bto\b)\s*/g, "-").split(/[\s,;]+/).filter(Boolean);
  for (const piece of joined) {
    const ends = piece.split("-").map(one);
    if (ends.length > 2 || ends.includes(null)) return null;
    const [first, last = first] = ends;
    if (last < first) return null;
    for (const key of keys) if (key.n >= first && key.n <= last) found.add(key.n);
  }
  return found.size ? [...found].sort((a, b) => a - b) : null;
}
