// One rep on the page: its numbers against the usual range, its place in the strip, its curves and its words.

import { kilos, make } from "/parts/dom.js";

const SHORT = { "made": "made", "missed forward": "front", "missed back": "back", "missed otherwise": "missed", "not tried": "not tried" };

/** Rep in a few words: number, load, movement, lifter, how it ended. */
export function describe(rep) {
  return [`rep ${rep.rep}`, rep.load_kg == null ? null : kilos(rep.load_kg), rep.movement, rep.athlete, rep.outcome].filter(Boolean).join(" · ");
}

/** All of a rep as one text, for whoever hears the page. */
export function repWords(rep) {
  const numbers = rep.numbers.map((n) => (n.withheld ? `${n.label}: not measured, ${n.withheld}` : `${n.label} ${n.text}${against(n) ? `, ${against(n)}` : ""}`));
  return [`${describe(rep)}.`, rep.sentence, rep.cue_words ? `Cue: ${rep.cue_words}` : "", `${numbers.join(". ")}.`].join(" ");
}

/** The number against the usual range, in words. */
function against(n) {
  if (!n.usual) return "";
  const range = `${shown(n, n.usual.low)} to ${shown(n, n.usual.high)}`;
  if (n.verdict === "above" || n.verdict === "below") return `${n.verdict} usual, ${range}`;
  return n.verdict ? `within usual, ${range}` : `usual ${range}`;
}

let registry = {};

/** Take in how a person sees each measure: unit, factor, digits. */
export function learn(measures) {
  registry = measures;
}

/** Number in SI as a person sees it, without its unit. */
const shown = (n, value) => (value * registry[n.measure].factor).toFixed(registry[n.measure].digits).replace(/^-(0(\.0*)?)$/, "$1").replace("-", "−");

/** From where to where a ruler goes so that range, interval and number are on it. */
function rulerOf(n, others = []) {
  const ends = [n.value, n.low, n.high, n.usual?.low, n.usual?.high, ...others].filter((v) => Number.isFinite(v));
  const low = Math.min(...ends);
  const high = Math.max(...ends);
  const room = 0.15 * (high - low) || Math.abs(high) * 0.1 || 1;
  return (v) => `${(100 * (v - low + room)) / (high - low + 2 * room)}%`;
}

function span(className, at, low, high) {
  const element = make("span", { className });
  element.style.setProperty("--from", at(low));
  element.style.setProperty("--to", at(high));
  return element;
}

/** Characters of a number that stand beside its unit and interval at full size: 17.3, −4.2. */
const WIDE = 4;

/** One of the three large numbers; pressed, the strip shows it rep by rep. */
export function number(n, pressed, onclick) {
  const label = make("span", { className: "label" }, n.label);
  const button = make("button", { className: "number", onclick, "aria-pressed": String(pressed), "data-measure": n.measure, "data-verdict": n.verdict });
  if (n.withheld || n.value === null) {
    button.append(label, make("span", { className: "withheld" }, `Not measured: ${n.withheld}`));
    return button;
  }
  const at = rulerOf(n);
  const ruler = make("span", { className: "ruler", "aria-hidden": "true" }, make("span", { className: "base" }));
  if (n.usual) ruler.append(span("usual", at, n.usual.low, n.usual.high));
  if (Number.isFinite(n.low) && Number.isFinite(n.high)) ruler.append(span("sure", at, n.low, n.high));
  const here = make("span", { className: "here" });
  here.style.setProperty("--at", at(n.value));
  ruler.append(here);
  const told = shown(n, n.value);
  const [word, ...rest] = (against(n) || "no usual range yet").split(", ");
  button.append(
    label,
    make("span", { className: told.length > WIDE ? "value long" : "value" }, told, make("small", {}, registry[n.measure].unit, " ", make("span", { className: "half" }, `±\u2009${n.half}`))),
    ruler,
    make("span", { className: "against" }, n.usual ? make("b", {}, word) : word, rest.length ? ` ${rest.join(", ")}` : null),
  );
  return button;
}

/** The strip: one button for each rep, higher up where the number is larger, over the band of what is usual. */
export function repButton(list, measure, current, trying, onpick) {
  const of = (rep) => rep.numbers.find((n) => n.measure === measure);
  const values = list.flatMap((rep) => { const n = of(rep); return n ? [n.value, n.usual?.low, n.usual?.high] : []; }).filter((v) => Number.isFinite(v));
  return list.map((rep) => {
    const n = of(rep);
    const column = make("span", { className: "column", "aria-hidden": "true" });
    if (n && n.value !== null && values.length) {
      const at = rulerOf(n, values);
      if (n.usual) column.append(span("usual", at, n.usual.low, n.usual.high));
      const here = make("span", { className: "here" });
      here.style.setProperty("--at", at(n.value));
      column.append(here);
    }
    const ended = make("span", { className: "ended", "data-outcome": rep.outcome ?? "" }, make("span", { className: "shape" }), SHORT[rep.outcome] ?? "");
    const told = n ? (n.withheld ? `${n.label} not measured` : `${n.label} ${n.text}, ${against(n) || "no usual range yet"}`) : "";
    const about = {
      className: `rep${trying.has(rep.rep) ? " tried" : ""}`,
      onclick: () => onpick(rep.rep),
      "aria-current": rep === current ? "true" : null,
      "aria-label": `Rep ${rep.rep}, ${rep.load_kg == null ? "load not said" : kilos(rep.load_kg)}, ${rep.outcome ?? "not marked"}${told ? `, ${told}` : ""}${trying.has(rep.rep) ? ", in the trial" : ""}`,
      "data-rep": String(rep.rep),
      "data-verdict": n?.verdict,
    };
    const load = make("span", { className: "load-text" }, rep.load_kg == null ? "–" : kilos(rep.load_kg).replace(" kg", ""));
    return make("li", {}, make("button", about, column, load, ended));
  });
}

/** What the curves of a rep are known by: a withdrawn rep's number is given again, and a settled rep has others. */
export const curvesKey = (rep) => `${rep.rep} ${rep.stage} ${rep.at_s}`;
