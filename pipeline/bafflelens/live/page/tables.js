// SPDX-License-Identifier: GPL-3.0-or-later
// What the sheet says in words and numbers: the score, the ranking, how far a run is, the clay.

import { at, element, rowOf } from "./parts.js";
import { CLAY, FIXED } from "./shape.js";

const USEFUL_DB = 3;
const decibels = (value) => (value === null || value === undefined ? "–" : value.toFixed(2));

// The sign of each mark: no total of an estimate passes for one that is solved.
const SIGNS = { estimated: "≈", draft: "▤", solved: "■" };

// A total, with its band where it is estimated; one that may be anything is none.
function totalOf(frame) {
  const off = frame?.mark === "estimated" ? frame.score_off_db : 0;
  if (off === null || off > USEFUL_DB || !frame?.score) return "–";
  return decibels(frame.score.total_db) + (off ? ` ±${off.toFixed(2)}` : "");
}

export function showScore(frame, heldFrame, heldName) {
  const own = frame?.score, held = heldFrame?.score;
  at("own-name").textContent = `this ${SIGNS[frame?.mark] ?? ""}`;
  at("held-name").textContent = `${heldName} ${SIGNS[heldFrame?.mark] ?? ""}`;
  const terms = own?.terms ?? held?.terms ?? [];
  at("score").tBodies[0].replaceChildren(...terms.map((term, i) => {
    const row = rowOf(term.name, decibels(own?.terms[i]?.cost_db), decibels(held?.terms[i]?.cost_db));
    row.title = (own?.terms[i] ?? term).note;
    return row;
  }));
  const total = rowOf("total", totalOf(frame), totalOf(heldFrame));
  total.title = own && totalOf(frame) === "–" ? "The total of shapes that were left out is estimated too roughly, or not looked at yet." : "";
  at("score").tFoot.replaceChildren(total);
}

function duration(seconds) {
  return seconds < 90 ? `${Math.round(seconds)} s` : seconds < 5400 ? `${Math.round(seconds / 60)} min` : `${(seconds / 3600).toFixed(1)} h`;
}

export function tellState(state, isConnected) {
  if (!isConnected) {
    at("told").textContent = "The connection is lost; it is tried again. What runs goes on. If the command was started anew, open the address that it prints.";
    return;
  }
  if (!state) return;
  const parts = [];
  if (state.doing) parts.push(state.doing);
  const solved = Math.max(state.full, state.drafts);
  if (state.known) parts.push(`estimates from ${state.known} solved shapes`);
  else if (solved >= state.needed) parts.push(`learning from ${solved} solved shapes`);
  else parts.push(`no estimates yet: ${solved} of at least ${state.needed} shapes are solved${state.doing.includes("spread") ? "" : ", more follow by themselves"}`);
  at("told").textContent = parts.join(" · ");
  const run = [`run ${state.status}`];
  if (state.step) run.push(state.share === null ? state.step : `${state.step}, ${Math.round(100 * state.share)} %`);
  if (state.left_s !== null) run.push(`about ${duration(state.left_s)} left of this step`);
  at("progress").textContent = run.join(" · ");
}

// The last verdict of a note of its own; reminders of other runs begin otherwise.
const verdictOf = (row) => row.notes.map((note) => note.split(" ")[0]).filter((word) => ["kept", "undecided", "rejected"].includes(word)).at(-1) ?? "";

// What was said of the shape that is shown.
export function showNotes(row) {
  at("notes").replaceChildren(...(row?.notes ?? []).map((note) => element("li", note)));
}

let ranked = ""; // what the ranking shows

// Made anew only where it differs: a button that somebody has come to by keyboard stays.
export function showRanking(rows, open, hold) {
  const content = JSON.stringify(rows);
  if (content === ranked) return;
  ranked = content;
  at("ranking").tBodies[0].replaceChildren(...rows.map((row) => {
    const isSolved = row.score_db !== null;
    const line = rowOf(row.place ?? "", "", isSolved ? decibels(row.score_db) : row.status, "");
    line.dataset.id = row.id;
    const title = [row.label, ...row.notes].join("\n");
    const name = element("button", row.id, { type: "button", title, disabled: !isSolved });
    name.onclick = () => open(row.id);
    line.cells[1].append(name, row.notes.length ? ` ✎ ${verdictOf(row)}` : "");
    if (row.name) line.cells[1].append(element("small", row.name));
    const over = element("button", "lay over", { type: "button", disabled: !isSolved });
    over.setAttribute("aria-label", `lay ${row.id} over`);
    over.onclick = () => hold(row.id);
    line.cells[3].append(over);
    return line;
  }));
}

export function showClay(message) {
  at("clay").hidden = false;
  at("kinds").hidden = true; // no surface has its own colour now
  at("clay-title").textContent = message.title;
  const [add, take] = message.unit === "mm" ? ["added", "taken"] : ["better added", "better taken"];
  const most = `${message.most.toPrecision(2)} ${message.unit}`;
  const patches = [[CLAY[0], `${take}, ${most} or more`], [CLAY[2], "0"], [CLAY.at(-1), `${add}, ${most} or more`], [FIXED, "stays"]];
  at("clay-scale").replaceChildren(...patches.map(([colour, text]) => {
    const item = element("span", "");
    const patch = document.createElement("i");
    patch.style.background = colour;
    item.append(patch, text);
    return item;
  }));
  at("clay-lines").replaceChildren(...message.lines.map((line) => element("li", line.replaceAll(/(^|[\s(])-(?=\d)/g, "$1−"))));
  at("clay-steps").hidden = !message.steps.length;
  at("clay-steps").tBodies[0].replaceChildren(...message.steps.map((step) =>
    rowOf(step.number || "before", decibels(step.score_db), step.outward_mm.toFixed(1), step.inward_mm.toFixed(1))));
}
