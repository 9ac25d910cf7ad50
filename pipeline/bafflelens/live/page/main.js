// SPDX-License-Identifier: GPL-3.0-or-later
// The sheet: what is moved, what answers, and what it is held against.

import { drawCurve, drawMap, rangeOf, scale, widest } from "./levels.js";
import { at, element } from "./parts.js";
import { colourOf, drawSection } from "./shape.js";
import { Sliders } from "./sliders.js";
import { showClay, showNotes, showRanking, showScore, tellState } from "./tables.js";
import { Wire } from "./wire.js";

const MARKS = {
  before: "… of the shape before",
  estimated: "≈ estimated",
  draft: "▤ solved as a draft",
  solved: "■ solved",
};
const BASELINE = "baseline";
const OWN = "this one, held";
const RULES_AFTER_MS = 300; // of a shape that is opened, unless it is moved meanwhile

const now = {
  move: 0, // of the newest wish; answers to older ones are passed over
  frame: null, // what is drawn
  shape: null,
  shapeOf: -1,
  shownId: "",
  held: null, // what it is compared with
  heldShape: null,
  heldId: BASELINE,
  heldMove: 0,
  target: [],
  state: null,
  fault: "",
  connected: false,
  greeted: false,
};
let space = null; // loaded once what stands on paper has been drawn
const sliders = new Sliders(at("sliders"), move);
// For whoever looks in with the browser's own tools.
window.sheet = Object.assign(now, { receive, values: () => sliders.values });
scale(at("scale"));

const wire = new Wire(receive, (open) => {
  now.connected = open;
  if (!open) tell();
});

// ------------------------------------------------------------------------------- to the server

function move() {
  now.move += 1;
  now.shownId = "";
  hideClay();
  // Until it is answered, nothing that is drawn may pass for the shape that the sliders say.
  if (now.frame) now.frame = { ...now.frame, mark: now.frame.mark && "before", id: "" };
  captions();
  buttons();
  shownRow();
  remember();
  performance.mark("moved");
  wire.send({ kind: "move", move: now.move, values: sliders.values });
}

function open(id) {
  now.move += 1;
  hideClay();
  now.shownId = id;
  buttons();
  remember();
  wire.send({ kind: "open", move: now.move, id });
}

// Ask for a reference shape; its number is negative, so that it is never taken for a move.
function hold(id) {
  now.heldId = id;
  now.heldMove -= 1;
  remember();
  wire.send({ kind: "open", move: now.heldMove, id });
}

function remember() {
  try {
    sessionStorage.setItem("sheet", JSON.stringify({
      run: now.run, values: sliders.values, heldId: now.heldId, shownId: now.shownId,
    }));
  } catch { /* a browser that keeps nothing starts from the beginning */ }
}

function remembered() {
  try {
    const found = JSON.parse(sessionStorage.getItem("sheet") ?? "null");
    return found?.run === now.run ? found : null;
  } catch {
    return null;
  }
}

// ----------------------------------------------------------------------------- from the server

function receive(message) {
  ({ hello, state, answer, scored, opened, shape, rules, fault, clay, made, noted }[message.kind])(message);
}

function hello(message) {
  const isFirst = !now.greeted;
  now.run = message.run;
  now.target = message.target;
  at("title").textContent = message.title;
  at("run").textContent = message.run;
  document.title = `${message.title} – bafflelens`;
  const before = isFirst ? remembered() : { values: sliders.values, heldId: now.heldId, shownId: now.shownId };
  if (isFirst && before?.heldId === OWN) before.heldId = BASELINE; // it was never named
  const focused = document.activeElement?.id; // a slider that somebody has come to by keyboard
  sliders.build(message.sliders, message.start);
  at(focused)?.focus();
  if (before) sliders.values = before.values;
  if (isFirst) panels();
  now.greeted = true;
  now.heldId = before?.heldId ?? BASELINE;
  now.asked = "";
  state(message);
  if (now.heldId !== BASELINE && now.heldId !== OWN) hold(now.heldId);
  if (before?.shownId) open(before.shownId);
  else move();
}

function state(message) {
  now.state = message.state;
  tellFaults();
  tell();
  ranking();
  const known = now.state.baseline;
  if (now.greeted && now.heldId === BASELINE && known && known !== now.asked) {
    now.asked = known;
    hold(BASELINE);
  }
  if (!now.frame?.mark && now.greeted && now.state.known > 0 && !now.shownId) move();
}

function answer(message) {
  if (message.move !== now.move) return;
  if (now.frame?.move === message.move && rank(message) < rank(now.frame)) return;
  performance.mark("answered");
  now.frame = message;
  tellFaults(message.faults.length ? `No such shape: ${message.faults[0]}` : "");
  draw();
  shownRow();
  performance.mark("drawn");
}

// The score of an estimate comes after its levels.
function scored(message) {
  if (message.move !== now.frame?.move || now.frame.mark !== "estimated") return;
  now.frame.score = message.score;
  captions();
  score();
}

const rank = (frame) => ["", "before", "estimated", "draft", "solved"].indexOf(frame.mark);

function opened(message) {
  if (message.move === now.heldMove) {
    now.held = message;
    now.heldShape = null;
    draw();
    return;
  }
  if (message.move !== now.move) return;
  now.frame = message;
  tellFaults("");
  if (Object.keys(message.values).length) {
    sliders.values = message.values;
    sliders.grey({}, ""); // those that are drawn are of another shape
    setTimeout(() => {
      if (now.move === message.move) wire.send({ kind: "rules", move: now.move, values: sliders.values });
    }, RULES_AFTER_MS);
  }
  remember();
  draw();
  ranking();
}

function shape(message) {
  if (message.move === now.heldMove) now.heldShape = message;
  else if (message.move !== now.move) return;
  else {
    now.shape = message;
    now.shapeOf = message.move;
    if (!now.clay) space?.show(message); // a map of the clay stays
    if (!space) inSpace();
    kinds(message.kinds);
  }
  drawShape();
}

function rules(message) {
  if (message.move === now.move) sliders.grey(message.broken, now.frame?.faults?.[0] ?? "");
}

// Begin to draw in space: its library and a context take longer than all the rest of the page.
let isLoading = false, tries = 0;
function inSpace() {
  if (isLoading) return;
  isLoading = true;
  requestAnimationFrame(() => setTimeout(async () => {
    let loaded;
    try { // under another name if it failed: some browsers keep that
      loaded = await import(tries++ ? `./space.js?${tries}` : "./space.js");
    } catch { // the server has gone: the next shape is another try
      isLoading = false;
      return;
    }
    window.space = space = new loaded.Space(at("space"));
    if (now.clay) space.paint(now.clay);
    else space.show(now.shape);
    performance.mark("in space");
  }));
}

// A clay map, or what was carved; only of the shape that is shown.
function clay(message) {
  if (message.id !== now.frame?.id) return;
  now.clay = message;
  space?.paint(message);
  showClay(message);
}

function hideClay() {
  if (!now.clay) return;
  now.clay = null;
  at("clay").hidden = true;
  at("kinds").hidden = false;
  if (now.shape) space?.show(now.shape);
}

const made = (message) => open(message.id);

// What was said of a shape has been written down: the next is another's.
function noted(message) {
  at("keep").reset();
  tellFaults("");
  at("keep-hint").textContent = `Noted on ${message.id}.`;
}

const fault = (message) => tellFaults(message.text);

// What was wrong with what was asked here stays until something else is; beside it what the program says.
function tellFaults(own = now.fault) {
  now.fault = own;
  const text = [own, now.state?.fault].filter(Boolean).join(" · ");
  if (at("fault").textContent !== text) at("fault").textContent = text;
}

// ------------------------------------------------------------------------------------- drawing

const maps = [];
const curves = [];

function figure(place, label) {
  const one = document.createElement("figure");
  const caption = element("figcaption", label);
  const canvas = document.createElement("canvas");
  canvas.setAttribute("role", "img");
  one.append(caption, canvas);
  place.append(one);
  return { caption, canvas };
}

function panels() {
  for (const plane of ["horizontal", "vertical"])
    for (const whose of ["this", "held"]) maps.push({ plane, whose, ...figure(at("maps"), "") });
  for (const wanted of now.target) curves.push({ wanted, ...figure(at("curves"), wanted.title) });
}

function marked(frame, plane) {
  if (frame?.mark === "before") return MARKS.before;
  return frame?.mark ? `${MARKS[frame.mark]}${plane ? widest(frame, plane) : ""}` : "not known yet";
}

const heldName = () => (now.heldId === BASELINE ? "plain baffle" : now.heldId);

function captions() {
  const { frame, held } = now;
  const mark = at("mark");
  mark.dataset.mark = frame?.mark ?? "";
  mark.textContent = frame ? (frame.faults.length ? "breaks a rule" : marked(frame, "vertical")) : "";
  document.body.classList.toggle("before", frame?.mark === "before");
  for (const { plane, whose, caption, canvas } of maps) {
    const one = whose === "this" ? frame : held;
    const title = plane[0].toUpperCase() + plane.slice(1);
    caption.textContent = `${title}: ${whose === "this" ? one?.id || "this shape" : heldName()}, ${marked(one, plane)}`;
    canvas.setAttribute("aria-label", caption.textContent);
  }
  at("dimensions-of").textContent = frame?.is_carved ? "before carving" : frame?.id === BASELINE ? "not of the baseline" : "";
  shapeOf();
  at("score-of").textContent = frame?.score ? `(dB, lower is better; ${marked(frame)})` : "";
}

function draw() {
  const { frame, held } = now;
  captions();
  const range = rangeOf([frame, held]);
  for (const map of maps) {
    const { plane, whose, canvas } = map;
    const one = whose === "this" ? frame : held;
    const drawn = [one, whose === "this" ? held : null, ...range, canvas.clientWidth, canvas.clientHeight];
    if (map.drawn?.every((each, i) => each === drawn[i])) continue; // what is held stays while this one moves
    map.drawn = drawn;
    drawMap(canvas, one, plane, range, whose === "this" ? held : null);
  }
  for (const { wanted, canvas } of curves) {
    canvas.setAttribute("aria-label", wanted.title);
    drawCurve(canvas, wanted, frame, held, range);
  }
  score();
  drawShape();
  buttons();
  tell();
}

function shapeOf() {
  const note = now.shapeOf === now.move ? `${now.frame?.id ?? ""} ${rowOfShown()?.name ?? ""}` : "before this move";
  at("shape-of").textContent = at("shape-of").title = now.shape ? note : "is shown when it is meshed";
}

function drawShape() {
  shapeOf();
  const canvas = at("side"), drawn = [now.shape, now.heldShape, heldName(), canvas.clientWidth, canvas.clientHeight];
  if (now.section?.every((each, i) => each === drawn[i])) return;
  now.section = drawn;
  drawSection(canvas, now.shape, now.heldShape, heldName());
}

function kinds(names) {
  at("kinds").replaceChildren(...names.map((name) => {
    const item = element("li", "");
    const patch = document.createElement("i");
    patch.style.background = colourOf(name);
    item.append(patch, name);
    return item;
  }));
}

function score() {
  const alike = now.heldId === BASELINE && now.frame?.baseline_score; // a draft beside a draft
  showScore(now.frame, alike ? { mark: now.frame.mark, score: alike } : now.held, heldName());
}
const tell = () => tellState(now.state, now.connected);

function ranking() {
  showRanking(now.state.rows, open, hold);
  shownRow();
  shapeOf();
  showNotes(rowOfShown());
}

const rowOfShown = () => now.frame?.id && now.state?.rows.find((row) => row.id === now.frame.id);

function shownRow() {
  const shown = now.shownId || now.frame?.id;
  for (const row of at("ranking").tBodies[0].rows) row.classList.toggle("shown", row.dataset.id === shown);
}

function buttons() {
  const id = now.frame?.id ?? "";
  at("keep-button").disabled = !id || id === BASELINE;
  at("note-button").disabled = !id;
  at("keep-hint").textContent = id ? `Name, note and verdict go to ${id}.` : "A shape can be kept when its full band is solved.";
  showNotes(rowOfShown());
  const isOpening = now.shownId && now.shownId !== id; // what is on the sheet is of another shape
  at("map").disabled = at("carve").disabled = now.frame?.mark !== "solved" || !id || isOpening;
  at("clay-hint").textContent = id ? "" : "A clay map and carving begin from a shape whose full band is solved.";
  at("hold").disabled = !now.frame?.mark || now.frame.mark === "before";
}

at("hold").onclick = () => {
  if (now.frame.id) hold(now.frame.id);
  else {
    now.held = now.frame;
    now.heldShape = now.shapeOf === now.move ? now.shape : null;
    now.heldId = OWN;
    remember();
    draw();
  }
};
for (const kind of ["map", "carve"]) at(kind).onclick = () => wire.send({ kind, id: now.frame.id });
at("clay-off").onclick = hideClay;
at("unhold").onclick = () => hold(BASELINE);
at("keep").onsubmit = (event) => {
  event.preventDefault();
  if (!now.frame?.id) return;
  wire.send({ kind: "keep", id: now.frame.id, name: at("keep-name").value, text: at("keep-text").value });
};
at("note-button").onclick = () =>
  wire.send({ kind: "note", id: now.frame.id, text: at("keep-text").value, verdict: at("verdict").value });
new ResizeObserver(() => now.greeted && draw()).observe(at("maps"));
