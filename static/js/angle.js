// The protractor: points tapped on a photo, put right under a loupe. The angle itself is reckoned by the shop's computer,
// so that what is shown and what is kept are one.

const root = document.getElementById("angle");
const said = root.dataset;
const stage = document.getElementById("stage");
const picture = document.getElementById("picture");
const lines = document.getElementById("lines");
const loupe = document.getElementById("loupe");
const form = document.getElementById("form");
const at = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const ZOOM = 3;
const GRIP = 22; // px on the screen: a finger this near to a point takes it
const names = said.names.split("|");

let turn = 0;
let points = []; // rail, rail, edge, edge, then the card's corners; [x, y] in px of the turned photo
let taps = []; // earlier taps of the same mortise
const laid = new Set(); // places of points that were only laid on the photo: they measure nothing until they are moved
let held = -1;
let redrawing = false;
let lastCorners = [];
const image = new Image();
const kept = JSON.parse(at("kept-lines")?.textContent || "[]"); // angles read from this photo before

const withCard = () => at("with-card").checked;
const complete = () => points.length >= wanted() && !laid.size;
const wanted = () => (withCard() && !lastCorners.length ? 8 : 4); // a card is tapped once: it lies where it lies
const turned = () => (turn % 180 ? [image.naturalHeight, image.naturalWidth] : [image.naturalWidth, image.naturalHeight]);
const perPixel = () => turned()[0] / stage.clientWidth;

function drawPicture() {
  const [width, height] = turned();
  picture.width = width;
  picture.height = height;
  const pen = picture.getContext("2d");
  pen.translate(width / 2, height / 2);
  pen.rotate((turn * Math.PI) / 180);
  pen.drawImage(image, -image.naturalWidth / 2, -image.naturalHeight / 2);
  lines.setAttribute("viewBox", `0 0 ${width} ${height}`);
  at("click-sd").value = Math.max(1, perPixel()).toFixed(1);
  show();
}

const made = (name, attributes) => {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  lines.append(element);
  return element;
};

function drawLine([a, b], kind) {
  const [[ax, ay], [bx, by]] = [a, b];
  const far = 0.4; // the line is drawn a little beyond its points, so that the eye can follow the edge
  const [dx, dy] = [(bx - ax) * far, (by - ay) * far];
  for (const look of ["under", kind]) made("path", { d: `M${ax - dx} ${ay - dy}L${bx + dx} ${by + dy}`, class: look });
}

function show() {
  const unit = perPixel();
  const chosen = document.activeElement?.dataset?.place;
  redrawing = true;
  lines.replaceChildren();
  lines.style.setProperty("--px", unit);
  const pairs = [["rail", 0], ["edge", 2]];
  for (const row of kept) if (row.turn === turn) for (const tap of row.lines) drawLine(tap[1], "edge old");
  for (const tap of taps) for (const [kind, place] of pairs) drawLine(tap[place / 2], `${kind} old`);
  for (const [kind, place] of pairs) if (points.length > place + 1) drawLine(points.slice(place, place + 2), kind);
  const outline = points.length > 5 ? points.slice(4) : withCard() ? lastCorners : [];
  if (outline.length) made("path", { d: `M${outline.map((point) => point.join(" ")).join("L")}z`, class: "card" });
  points.forEach(([x, y], place) => {
    const dot = made("circle", { cx: x, cy: y, r: 7 * unit, tabindex: 0, role: "button", class: "point" });
    dot.setAttribute("aria-label", names[place]);
    dot.dataset.place = place;
    made("path", { d: `M${x - 12 * unit} ${y}h${24 * unit}M${x} ${y - 12 * unit}v${24 * unit}`, class: "cross" });
  });
  if (chosen !== undefined) lines.querySelector(`[data-place="${chosen}"]`)?.focus();
  redrawing = false;
  at("next").textContent = complete()
    ? said.ready
    : laid.size
      ? said.move.replace("{name}", names[Math.min(...laid)])
      : said.next.replace("{name}", names[points.length]);
  at("once-more").disabled = !complete();
  if (at("keep")) at("keep").disabled = !complete() && !taps.length;
  reckon();
}

// --- the loupe, beside the finger ---

function magnify([x, y]) {
  const pen = loupe.getContext("2d");
  const size = loupe.width;
  const part = (size / ZOOM) * Math.min(perPixel(), 1.5);
  loupe.hidden = false;
  pen.clearRect(0, 0, size, size);
  pen.drawImage(picture, x - part / 2, y - part / 2, part, part, 0, 0, size, size);
  pen.beginPath();
  pen.moveTo(size / 2, 0);
  pen.lineTo(size / 2, size);
  pen.moveTo(0, size / 2);
  pen.lineTo(size, size / 2);
  for (const [colour, thick] of [["#ffffff", 4], ["#221F1B", 1.5]]) {
    [pen.strokeStyle, pen.lineWidth] = [colour, thick]; // dark on light: to be seen on red cloth and on dark wood
    pen.stroke();
  }
  const [left, top] = [x / perPixel(), y / perPixel()];
  const beside = left > size + 40 ? left - size - 30 : left + 30;
  loupe.style.left = `${Math.min(Math.max(beside, 0), stage.clientWidth - size)}px`;
  loupe.style.top = `${Math.max(top - size - 20, 0)}px`;
}

// --- tapping and dragging ---

const under = (event) => {
  const box = picture.getBoundingClientRect();
  const [width, height] = turned();
  const x = ((event.clientX - box.left) / box.width) * width;
  const y = ((event.clientY - box.top) / box.height) * height;
  return [Math.min(Math.max(x, 0), width), Math.min(Math.max(y, 0), height)];
};

stage.addEventListener("pointerdown", (event) => {
  if (event.button) return;
  const [x, y] = under(event);
  const reach = GRIP * perPixel();
  const near = points.map(([px, py]) => Math.hypot(px - x, py - y));
  held = near.length && Math.min(...near) < reach ? near.indexOf(Math.min(...near)) : -1;
  if (held < 0) {
    if (points.length >= wanted()) return;
    points.push([x, y]);
    held = points.length - 1;
  }
  stage.setPointerCapture(event.pointerId);
  event.preventDefault();
  magnify(points[held]);
  show();
});
stage.addEventListener("pointermove", (event) => {
  if (held < 0) return;
  points[held] = under(event);
  laid.delete(held);
  magnify(points[held]);
  show();
});
for (const name of ["pointerup", "pointercancel"])
  stage.addEventListener(name, () => {
    held = -1;
    loupe.hidden = true;
  });

lines.addEventListener("keydown", (event) => {
  const place = event.target.dataset.place;
  const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (place === undefined || !move) return;
  event.preventDefault();
  const by = event.shiftKey ? 10 : 1;
  const [width, height] = turned();
  const [x, y] = points[place];
  laid.delete(Number(place));
  points[place] = [Math.min(Math.max(x + move[0] * by, 0), width), Math.min(Math.max(y + move[1] * by, 0), height)];
  magnify(points[place]);
  show();
});
lines.addEventListener("focusout", () => {
  if (held < 0 && !redrawing) loupe.hidden = true;
});

// --- buttons ---

function setPoints(now) {
  points = now;
  for (const place of laid) if (place >= points.length) laid.delete(place);
}

at("once-more").addEventListener("click", () => {
  taps.push([points.slice(0, 2), points.slice(2, 4)]);
  setPoints([]); // both lines are tapped anew; the card's corners stay those tapped last
  show();
});
at("clear").addEventListener("click", () => {
  taps = [];
  setPoints([]);
  lastCorners = [];
  show();
});
at("place").addEventListener("click", () => {
  const [width, height] = turned();
  const usual = [[0.1, 0.2], [0.9, 0.2], [0.5, 0.4], [0.5, 0.7], [0.2, 0.3], [0.4, 0.3], [0.4, 0.6], [0.2, 0.6]];
  while (points.length < wanted()) {
    const [x, y] = usual[points.length];
    laid.add(points.length);
    points.push([width * x, height * y]);
  }
  show();
  lines.querySelector(".point")?.focus();
});
at("turn").addEventListener("click", () => {
  turn = (turn + 90) % 360;
  taps = [];
  setPoints([]);
  lastCorners = [];
  drawPicture();
});
at("with-card").addEventListener("change", () => {
  at("card").hidden = !withCard();
  lastCorners = [];
  setPoints(points.slice(0, 4));
  show();
});
form.addEventListener("input", () => show());

// --- what comes of it ---

const number = (id) => Number(at(id).value.replace(",", "."));
const unitOf = (id) => (at(id).nextElementSibling.textContent === "in" ? 25.4 : 1);
const millimetres = (id) => number(id) * unitOf(id);
const setMillimetres = (id, value) => {
  at(id).value = Number((value / unitOf(id)).toFixed(3));
};

function contents() {
  const all = complete() ? [...taps, [points.slice(0, 2), points.slice(2, 4)]] : taps;
  const card = withCard() && { corners: corners(), width: millimetres("card-width"), height: millimetres("card-height") };
  return {
    taps: all,
    card: card || null,
    turn,
    reference_is: form.elements.reference_is.value,
    bass_on: at("mirrored").checked ? "right" : "left",
    click_sd: number("click-sd"),
  };
}

const corners = () => {
  if (points.length === 8) lastCorners = points.slice(4);
  return lastCorners;
};

let waiting = 0;
let asked = 0;
function reckon() {
  const now = contents();
  at("tapped").value = JSON.stringify(now);
  clearTimeout(waiting);
  asked += 1;
  const mine = asked;
  if (!now.taps.length) {
    at("result").textContent = "–";
    at("said").textContent = "";
    return;
  }
  waiting = setTimeout(async () => {
    const body = new FormData(form);
    try {
      const answer = await fetch(said.reckon, { method: "POST", body, redirect: "error" });
      const told = await answer.json();
      if (mine !== asked) return; // the points have moved on
      at("result").textContent = told.text || "–";
      at("result").classList.toggle("coarse", told.coarse);
      at("said").textContent = told.said || "";
    } catch {
      at("said").textContent = said.away;
    }
  }, 60);
}

// What stood here before: all of it after a refusal; for the next key of this photo what stays the same, the rail and the card.
function before() {
  if (at("tapped").value) return JSON.parse(at("tapped").value);
  return JSON.parse(sessionStorage.getItem(said.photo) || "null");
}

image.addEventListener("load", () => {
  const then = before();
  turn = then?.turn || 0;
  drawPicture();
  if (then) {
    form.elements.reference_is.value = then.reference_is;
    at("mirrored").checked = then.bass_on === "right";
    at("click-sd").value = then.click_sd;
    if (then.card) {
      at("with-card").checked = true;
      at("card").hidden = false;
      lastCorners = then.card.corners;
      for (const side of ["width", "height"]) setMillimetres(`card-${side}`, then.card[side]);
    }
    taps = then.taps.slice(0, -1);
    points = then.taps.at(-1)?.flat() || then.rail || [];
    show();
  }
  document.documentElement.dataset.ready = "yes";
});
form.addEventListener("submit", () => {
  const now = contents();
  const rail = now.taps.at(-1)?.[0] || [];
  sessionStorage.setItem(said.photo, JSON.stringify({ ...now, taps: [], rail }));
});
addEventListener("resize", () => image.complete && show());
image.src = said.photo;
