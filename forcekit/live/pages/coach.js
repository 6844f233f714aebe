// The coach's page: shows what the laptop says, and sends what the coach says back.

import { at, fetchJson, kilos, tell, themeSwitch, write } from "/parts/dom.js";
import { drawBar, drawFoot, drawForce, runningTrace } from "/parts/draw.js";
import { openLine } from "/parts/link.js";
import { curvesKey, describe, learn, number, repButton, repWords } from "/parts/rep.js";
import { openSheet, sheets, updateSheet } from "/parts/sheets.js";

const OUTCOME_KEYS = { m: "made", f: "missed forward", b: "missed back" };
const LOAD_STEP_KG = 2.5;
const GRAVITY = 9.80665;

let parts = {};
let chosen = null; // the rep the coach looks at; null: always the newest
let heard = null; // the rep that was said last
let measure = null; // what the strip shows
let told = null; // the session's last message
const details = new Map();

const order = openLine({ onState, onTrace: (rows) => trace.add(rows), onLink });
const trace = runningTrace(at("trace"));
themeSwitch(at("theme"));
globalThis.forcekitTrace = trace;

/** Send an order; what went wrong is said on the page. */
function ask(what, fields) {
  return order(what, fields).then(
    (words) => { tell(words); return true; },
    (error) => { tell(error.message); return false; },
  );
}

const reps = () => parts.reps ?? [];
const shownRep = () => reps().find((r) => r.rep === chosen) ?? reps().at(-1) ?? null;

function onLink(up) {
  document.body.dataset.link = up ? "up" : "down";
  if (up) return;
  at("ready").dataset.state = "away";
  write(at("ready-words"), "No line to the laptop; it goes on recording");
}

function onState(all, changed) {
  const before = parts.reps?.at(-1)?.rep ?? null;
  parts = { ...all };
  if (changed.has("measures")) learn(parts.measures);
  if (changed.has("ready")) showReady();
  if (changed.has("devices")) showDevices();
  if (changed.has("card")) showCard();
  if (changed.has("can_undo")) showUndo();
  if (changed.has("reps") || changed.has("trial")) {
    const newest = reps().at(-1)?.rep ?? null;
    if (newest !== before) chosen = null;
    showReps();
  }
  if (changed.has("messages")) showMessages();
  if (changed.has("recording") && parts.recording.failure) tell(parts.recording.failure);
  if (changed.has("role")) at("open-share").hidden = parts.role !== "coach";
  if (changed.has("sharing")) showSharing();
  updateSheet(changed);
}

/** Say what the session has to say since the page last looked; what was said before the page opened is old. */
function showMessages() {
  const { messages } = parts;
  if (told !== null && messages.length && messages.at(-1) !== told) tell(messages.at(-1));
  told = messages.at(-1) ?? "";
}

// ---------------------------------------------------------------------------------------------- the plate

function showReady() {
  const { ready } = parts;
  at("ready").dataset.state = ready.state;
  write(at("ready-words"), ready.words);
  const kg = ready.weight_n === null ? null : Math.round(ready.weight_n / GRAVITY);
  write(at("ready-weight"), kg === null ? "" : `${Math.abs(kg)} kg`);
  const part = ready.state === "still" || ready.state === "ready" ? Math.min(1, ready.still_s) : 0;
  at("ready").style.setProperty("--still", `${100 * part}%`);
}

function showDevices() {
  const { devices } = parts;
  const bad = devices.filter((d) => d.state !== "connected" || d.problem);
  const plate = devices.find((d) => d.kind === "plate");
  const zero = plate?.zeroed ? "zeroed" : "not zeroed yet";
  const told = bad.length ? bad.map((d) => `${d.name}: ${d.problem || d.state}`).join("; ") : `${devices.length > 1 ? "Plate and bar" : "Plate"} in order, ${zero}`;
  at("devices").classList.toggle("bad", bad.length > 0);
  write(at("devices"), told);
}

// ------------------------------------------------------------------------------------------------ the card

function showCard() {
  const { card } = parts;
  const set = (id, text) => write(at(id).querySelector(".what"), text);
  set("pick-athlete", card.athlete ?? "nobody chosen");
  set("pick-movement", card.movement ?? "as seen");
  set("pick-load", card.load_kg == null ? "not said" : kilos(card.load_kg));
  set("pick-cue", card.cue ?? "none");
  set("pick-drill", card.drill ?? "none");
}

function showUndo() {
  at("undo").disabled = !parts.can_undo;
  write(at("undo"), parts.can_undo ? `Undo: ${parts.can_undo}` : "Undo");
}

function showSharing() {
  const n = parts.sharing.guests.filter((g) => g.pages > 0).length;
  write(at("open-share"), n ? `Share (${n} looking on)` : "Share");
}

function step(kg) {
  const before = parts.card?.load_kg;
  if (before == null) openSheet(sheets.load);
  else ask("card", { load_kg: Math.max(LOAD_STEP_KG, before + kg) });
}

// ---------------------------------------------------------------------------------------------- the reps

function showReps() {
  const rep = shownRep();
  const list = reps();
  measure ??= rep?.numbers.at(-1)?.measure ?? null;
  showStrip(list, rep);
  showTrial();
  for (const button of document.querySelectorAll(".outcome [data-outcome]")) {
    button.disabled = !rep;
    button.setAttribute("aria-pressed", String(rep?.outcome === button.dataset.outcome));
  }
  at("more-outcomes").disabled = !rep;
  if (!rep) return;
  const newest = rep === list.at(-1);
  write(at("which"), `${newest ? "Last rep" : "Earlier rep"}: ${describe(rep)}${rep.stage === "first look" ? " · first look" : ""}`);
  write(at("cue"), rep.cue_words ? `“${rep.cue_words}”` : "");
  write(at("sentence"), rep.sentence);
  write(at("care"), [rep.cue_words ? rep.caution : rep.headline, rep.change].filter(Boolean).join(" "));
  showNumbers(rep);
  fit();
  showDrawings(rep);
  const words = repWords(rep);
  if (newest && heard !== words) { heard = words; write(at("say"), words); }
}

/** Let long sentences be smaller, so that everything keeps its place. */
function fit() {
  const box = at("last");
  for (const scale of [1, 0.92, 0.84, 0.76, 0.68, 0.6]) {
    box.style.setProperty("--scale", scale);
    if (box.scrollHeight <= box.clientHeight + 1) return;
  }
}

function showNumbers(rep) {
  const made = rep.numbers.map((n) => number(n, n.measure === measure, () => { measure = n.measure; showReps(); }));
  const had = document.activeElement?.closest?.(".number")?.dataset.measure;
  at("numbers").replaceChildren(...made);
  if (had) made.find((b) => b.dataset.measure === had)?.focus();
}

function showStrip(list, rep) {
  const strip = at("strip");
  const kept = document.activeElement?.closest?.(".rep")?.dataset.rep;
  const label = list.at(-1)?.numbers.find((n) => n.measure === measure)?.label ?? list.at(-1)?.numbers.at(-1)?.label;
  write(at("row-title"), list.length ? `Rep by rep: ${label}` : "Reps");
  const trying = new Set((parts.trial?.with ?? []).map((r) => r.rep ?? r));
  const marks = repButton(list, measure, rep, trying, (n) => { chosen = n === list.at(-1)?.rep ? null : n; showReps(); });
  strip.replaceChildren(...marks);
  if (kept) strip.querySelector(`[data-rep="${kept}"]`)?.focus();
  const current = strip.querySelector('[aria-current="true"]');
  if (current) strip.scrollLeft = current.parentElement.offsetLeft - strip.clientWidth + 160;
}

function showTrial() {
  const { trial } = parts;
  const place = at("trial");
  at("row").classList.toggle("with-trial", Boolean(trial));
  place.hidden = !trial;
  at("row-key").hidden = Boolean(trial);
  write(at("open-trial"), trial ? "End cue trial" : "Cue trial");
  if (!trial) return;
  const before = trial.before.length;
  const tried = trial.with.length;
  const left = Math.max(0, (trial.wanted_reps ?? 3) - tried);
  const progress = `${trial.kind} “${trial.words}”: ${before} before, ${tried} with it`;
  write(place, trial.answer ?? (left ? `Trying the ${progress}; ${left} more to go.` : `Trying the ${progress}.`));
}

async function showDrawings(rep) {
  const key = curvesKey(rep);
  if (!details.has(key)) {
    details.set(key, null);
    try {
      details.set(key, await fetchJson(`/rep/${rep.rep}`));
    } catch {
      details.delete(key);
    }
  }
  const now = shownRep();
  if (now && curvesKey(now) === key) draw();
}

function draw() {
  const rep = shownRep();
  const curves = rep ? details.get(curvesKey(rep)) : null;
  if (rep && !curves) return;
  drawFoot(at("foot"), curves);
  drawBar(at("bar"), curves);
  drawForce(at("force"), curves);
  if (!curves) return;
  for (const [id, words] of Object.entries(curves.words)) at(id).setAttribute("aria-label", words);
}

// -------------------------------------------------------------------------------------------- what is done

function mark(outcome) {
  const rep = shownRep();
  if (!rep) tell("There is no rep to mark yet.");
  else ask("mark", { rep: rep.rep, outcome: rep.outcome === outcome ? null : outcome });
}

function turn(by) {
  const list = reps();
  const i = list.indexOf(shownRep()) + by;
  if (i < 0 || i >= list.length) return;
  chosen = i === list.length - 1 ? null : list[i].rep;
  showReps();
}

sheets.begin({ ask, parts: () => parts, rep: shownRep, mark });
at("load-less").onclick = () => step(-LOAD_STEP_KG);
at("load-more").onclick = () => step(LOAD_STEP_KG);
at("pick-athlete").onclick = () => openSheet(sheets.athlete);
at("pick-movement").onclick = () => openSheet(sheets.movement);
at("pick-load").onclick = () => openSheet(sheets.load);
at("pick-cue").onclick = () => openSheet(sheets.cue);
at("pick-drill").onclick = () => openSheet(sheets.drill);
at("devices").onclick = () => openSheet(sheets.plate);
at("open-share").onclick = () => openSheet(sheets.share);
at("more-outcomes").onclick = () => openSheet(sheets.outcome);
at("open-trial").onclick = () => (parts.trial ? ask("stop trial") : openSheet(sheets.trial));
at("undo").onclick = () => ask("undo");
for (const button of document.querySelectorAll(".outcome [data-outcome]")) button.onclick = () => mark(button.dataset.outcome);

addEventListener("keydown", (event) => {
  const typing = event.target.closest?.("input, select, textarea, dialog");
  if (typing || event.ctrlKey || event.metaKey || event.altKey || sheets.keysOff()) return;
  if (event.key in OUTCOME_KEYS) mark(OUTCOME_KEYS[event.key]);
  else if (event.key === "u") ask("undo");
  else if (event.key === "l") { openSheet(sheets.load); event.preventDefault(); }
  else if (event.key === "ArrowLeft") turn(-1);
  else if (event.key === "ArrowRight") turn(1);
  else if (event.key === "End") { chosen = null; showReps(); }
});
addEventListener("resize", () => { fit(); draw(); });
addEventListener("theme", draw);
draw();
