// SPDX-License-Identifier: GPL-3.0-or-later
"use strict";

// Versions play in step all the time; only their gains change, so that switching leaves no gap.
const FADE_S = 0.01;
const SHORTEST_S = 0.5;
const element = (id) => document.getElementById(id);

const plans = {
  abx: {
    title: "Which of the two is X?",
    question: "A and B are the two shapes. X is one of them. In each trial, say which.",
    versions: [["a", "A"], ["x", "X"], ["b", "B"]],
    answers: ["X is A", "X is B"],
    renewed: ["x"],
    keys: "Keys: 1, 2, 3 switch between A, X and B; the left arrow answers “X is A”, the right arrow “X is B”; space pauses.",
  },
  preference: {
    title: "Which of the two do you prefer?",
    question: "In each trial the two shapes come in random order. Say which you would rather listen to.",
    versions: [["first", "1"], ["second", "2"]],
    answers: ["I prefer 1", "I prefer 2"],
    renewed: ["first", "second"],
    keys: "Keys: 1 and 2 switch; the left arrow prefers 1, the right arrow 2; space pauses.",
  },
};

let audio = null;
let volume = null;
let state = null;
let plan = null;
let buffers = {};
let playing = {};
let chosen = "";
let busy = false;

async function asked(path, options) {
  const answer = await fetch(path, options);
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer;
}

async function load(names) {
  for (const name of names) {
    const answer = await asked(`sound/${name}`);
    buffers[name] = await audio.decodeAudioData(await answer.arrayBuffer());
  }
}

function passage() {
  const length = Object.values(buffers)[0].duration;
  const from = Number(element("from").value) * length;
  const to = Math.max(Number(element("to").value) * length, from + SHORTEST_S);
  return [Math.min(from, length - SHORTEST_S), Math.min(to, length)];
}

function start() {
  for (const one of Object.values(playing)) one.source.stop();
  playing = {};
  const [from, to] = passage();
  const when = audio.currentTime + 0.05;
  for (const [name] of plan.versions) {
    const source = audio.createBufferSource();
    const gain = audio.createGain();
    source.buffer = buffers[name];
    source.loop = true;
    source.loopStart = from;
    source.loopEnd = to;
    gain.gain.value = name === chosen ? 1 : 0;
    source.connect(gain).connect(volume);
    source.start(when, from);
    playing[name] = { source, gain };
  }
}

function choose(name) {
  chosen = name;
  for (const [other, one] of Object.entries(playing)) {
    one.gain.gain.setTargetAtTime(other === name ? 1 : 0, audio.currentTime, FADE_S / 3);
  }
  for (const button of element("versions").children) {
    button.setAttribute("aria-pressed", String(button.dataset.name === name));
  }
}

function showSettings() {
  const level = Number(element("volume").value);
  element("volume_shown").textContent = `${level} dB`;
  if (volume) volume.gain.setTargetAtTime(10 ** (level / 20), audio.currentTime, FADE_S);
  if (Object.keys(buffers).length) {
    const [from, to] = passage();
    element("from_shown").textContent = `${from.toFixed(1)} s`;
    element("to_shown").textContent = `${to.toFixed(1)} s`;
  }
}

function showTrial() {
  element("progress").textContent = `Trial ${state.trial + 1} of ${state.trials}`;
}

async function answer(choice) {
  if (busy || !state || state.done || element("test").hidden) return;
  busy = true;
  try {
    const body = JSON.stringify({ trial: state.trial, choice });
    state = await (await asked("answer", { method: "POST", body })).json();
    if (state.done) {
      for (const one of Object.values(playing)) one.source.stop();
      element("test").hidden = true;
      element("end").hidden = false;
      element("result").textContent = state.result;
    } else {
      await load(plan.renewed);
      showTrial();
      choose(plan.versions[0][0]);
      start();
    }
  } catch (fault) {
    element("fault").textContent = `The page has lost the program: ${fault.message}`;
  } finally {
    busy = false;
  }
}

function add(row, text, action) {
  const button = document.createElement("button");
  button.textContent = text;
  button.addEventListener("click", action);
  row.append(button);
  return button;
}

function pause() {
  if (audio.state === "running") audio.suspend();
  else audio.resume();
}

function onKey(event) {
  if (event.target.tagName === "INPUT" || element("test").hidden || event.repeat) return;
  const number = Number(event.key);
  if (number >= 1 && number <= plan.versions.length) choose(plan.versions[number - 1][0]);
  else if (event.key === "ArrowLeft") answer(0);
  else if (event.key === "ArrowRight") answer(1);
  else if (event.key === " " && event.target.tagName !== "BUTTON") pause();
  else return;
  event.preventDefault();
}

async function begin() {
  await audio.resume();
  element("ready").hidden = true;
  element("test").hidden = false;
  showTrial();
  choose(plan.versions[0][0]);
  showSettings();
  start();
}

async function prepare() {
  state = await (await asked("state")).json();
  plan = plans[state.kind];
  element("title").textContent = plan.title;
  element("question").textContent = plan.question;
  element("plan").textContent = `${state.plan}.`;
  element("keys").textContent = plan.keys;
  audio = new AudioContext({ sampleRate: 48000 });
  volume = audio.createGain();
  volume.gain.value = 10 ** (Number(element("volume").value) / 20);
  volume.connect(audio.destination);
  for (const [name, text] of plan.versions) {
    add(element("versions"), text, () => choose(name)).dataset.name = name;
  }
  plan.answers.forEach((text, choice) => add(element("answers"), text, () => answer(choice)));
  await load(plan.versions.map(([name]) => name));
  element("begin").textContent = "Begin";
  element("begin").disabled = false;
  element("begin").addEventListener("click", begin);
  element("volume").addEventListener("input", showSettings);
  for (const id of ["from", "to"]) {
    element(id).addEventListener("input", showSettings);
    element(id).addEventListener("change", start);
  }
  document.addEventListener("keydown", onKey);
}

prepare().catch((fault) => {
  element("fault").textContent = `The page could not be made ready: ${fault.message}`;
});
