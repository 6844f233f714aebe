// The lifter's own page: own lifts, own history, nothing to change.

import { at, fetchJson, themeSwitch, write } from "/parts/dom.js";
import { drawBar, drawFoot } from "/parts/draw.js";
import { showHistory } from "/parts/history.js";
import { openLine } from "/parts/link.js";
import { curvesKey, describe, learn, number, repButton, repWords } from "/parts/rep.js";

let parts = {};
let chosen = null;
let measure = null;
let heard = null;
let curves = null;
let drawnOf = null;
let historyOf = null;

themeSwitch(at("theme"));
openLine({ onState, onTrace: null, onLink: (up) => { if (!up) write(at("turn"), "No line to the coach's laptop."); } });

function onState(all, changed) {
  const newest = parts.reps?.at(-1)?.rep;
  parts = { ...all };
  if (changed.has("measures")) learn(parts.measures);
  if (parts.reps?.at(-1)?.rep !== newest) chosen = null;
  if (parts.role !== "lifter") write(at("turn"), "This is how a lifter's page looks; a lifter who comes in with a code sees own lifts only.");
  else write(at("turn"), parts.ready ? parts.ready.words : "Somebody else has the platform.");
  if (changed.has("athlete") && parts.athlete) write(at("who"), parts.athlete);
  if (changed.has("reps")) show();
}

function show() {
  const list = parts.reps ?? [];
  const rep = list.find((r) => r.rep === chosen) ?? list.at(-1);
  const who = parts.athlete ?? rep?.athlete;
  const kept = list.filter((r) => r.kept).length; // a lift is in the history once it is settled
  if (who && historyOf !== `${who} ${kept}`) {
    historyOf = `${who} ${kept}`;
    showHistory(at("history"), who, "balance");
  }
  if (!rep) return;
  measure ??= rep.numbers.at(-1)?.measure;
  write(at("which"), describe(rep));
  write(at("cue"), rep.cue_words ? `“${rep.cue_words}”` : "");
  write(at("sentence"), rep.sentence);
  at("numbers").replaceChildren(...rep.numbers.map((n) => number(n, n.measure === measure, () => { measure = n.measure; show(); })));
  at("strip").replaceChildren(...repButton(list, measure, rep, new Set(), (n) => { chosen = n; show(); }));
  if (rep === list.at(-1) && heard !== repWords(rep)) { heard = repWords(rep); write(at("say"), heard); }
  look(rep);
}

async function look(rep) {
  const key = curvesKey(rep);
  if (drawnOf === key) return;
  drawnOf = key;
  try {
    const found = await fetchJson(`/rep/${rep.rep}`);
    if (drawnOf !== key) return; // another rep was chosen in the meantime
    curves = found;
  } catch {
    if (drawnOf === key) drawnOf = null;
    return;
  }
  draw();
}

function draw() {
  drawFoot(at("foot"), curves);
  drawBar(at("bar"), curves);
  for (const id of ["foot", "bar"]) if (curves) at(id).setAttribute("aria-label", curves.words[id]);
}
addEventListener("resize", draw);
addEventListener("theme", draw);
draw();
