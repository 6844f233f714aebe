// What opens over the page: choosing lifter, movement, load, cue, drill; other outcomes; the trial; the plate; sharing.

import { at, kilos, make } from "/parts/dom.js";

const MOVEMENTS = ["jerk", "push press", "push jerk", "jump dip", "dip only"];
const OTHER_OUTCOMES = ["missed otherwise", "not tried"];
const LOAD_STEPS = [-10, -5, -1, 1, 5, 10];

let page = null; // what the page gives: ask, parts, rep, mark
let open = null; // the sheet that is open
let keys = true;

const done = (promise) => promise.then((well) => { if (well) close(); });
const close = () => at("sheet").close();

/** Open a sheet over the page. */
export function openSheet(sheet) {
  open = sheet;
  at("sheet-title").textContent = sheet.title;
  at("sheet-body").replaceChildren(...sheet.body());
  if (!at("sheet").open) at("sheet").showModal();
  at("sheet-body").querySelector(sheet.first ?? "button, input")?.focus();
}

/** Draw the open sheet anew where what it shows has changed. */
export function updateSheet(changed) {
  if (at("sheet").open && open?.refresh && open.shows.some((name) => changed.has(name))) open.refresh();
}

// ----------------------------------------------------------------------------------------------- choosing

/** A list of choices, one tap each. */
function choices(items, chosen, pick, { long = false } = {}) {
  return make("ul", { className: long ? "choices long" : "choices" }, ...items.map(([name, value]) =>
    make("li", {}, make("button", { "aria-pressed": String(value === chosen), onclick: () => pick(value) }, name))));
}

/** A line to type in, with a button that takes it; Enter does the same. */
function line(label, button, take, about = {}) {
  const input = make("input", { autocomplete: "off", ...about });
  const go = () => { if (input.value.trim()) take(input.value.trim()); else input.focus(); };
  input.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); go(); } });
  return make("div", { className: "line" }, make("label", {}, label, input), make("button", { onclick: go }, button));
}

const setCard = (fields) => done(page.ask("card", fields));
const comma = (text) => Number(text.replace(",", ".").replace(/\s*kg$/i, ""));

const athlete = {
  title: "Who lifts?",
  body: () => [
    choices([...page.parts().athletes.map((name) => [name, name]), ["nobody in particular", null]], page.parts().card.athlete ?? null, (name) => setCard({ athlete: name })),
    make("p", { className: "soft" }, "Somebody new? Add the lifter at the ", make("a", { href: "/bench" }, "bench"), "; foot length and stature are asked there."),
  ],
};

const movement = {
  title: "Which movement?",
  body: () => [choices([...MOVEMENTS.map((m) => [m, m]), ["as forcekit sees it", null]], page.parts().card.movement ?? null, (m) => setCard({ movement: m }))],
};

const load = {
  title: "Load on the bar",
  first: "input",
  body: () => {
    const now = page.parts().card.load_kg ?? null;
    const recent = [...new Set((page.parts().reps ?? []).map((r) => r.load_kg).filter((kg) => kg != null))].slice(-5);
    return [
      line("Bar and plates together, kg", "Take it", (text) => {
        const kg = comma(text);
        if (Number.isFinite(kg)) setCard({ load_kg: kg });
        else at("sheet-body").querySelector("input").select();
      }, { inputMode: "decimal", value: now === null ? "" : String(now) }),
      now === null ? null : choices(LOAD_STEPS.map((by) => [`${by > 0 ? "+" : "−"}${Math.abs(by)} → ${kilos(now + by)}`, now + by]).filter(([, kg]) => kg > 0), null, (kg) => setCard({ load_kg: kg })),
      recent.length ? make("p", { className: "soft" }, "Lifted today") : null,
      recent.length ? choices(recent.map((kg) => [kilos(kg), kg]), now, (kg) => setCard({ load_kg: kg })) : null,
    ].filter(Boolean);
  },
};

/** Sheet that chooses a cue or a drill for the lifts to come. */
const words = (title, name, list, none) => ({
  title,
  body: () => {
    const rep = page.rep();
    const fits = name === "cue" ? rep?.cue_words : rep?.drill_words;
    const others = page.parts()[list].filter((w) => w !== fits);
    const items = [...(fits ? [[`${fits} (fits the last rep)`, fits]] : []), [none, null], ...others.map((w) => [w, w])];
    return [
      choices(items, page.parts().card[name] ?? null, (w) => setCard({ [name]: w }), { long: true }),
      line("In your own words", "Take it", (w) => setCard({ [name]: w }), { maxLength: 200 }),
    ];
  },
});

const cue = words("Cue given before the next lifts", "cue", "cues", "no cue");
const drill = words("Drill the next lifts belong to", "drill", "drills", "no drill");

const outcome = {
  title: "How did it end?",
  body: () => {
    const rep = page.rep();
    return [
      choices([...OTHER_OUTCOMES.map((o) => [o, o]), ["take the mark away", null]], rep.outcome ?? "", (o) => done(page.ask("mark", { rep: rep.rep, outcome: o }))),
      line(`Remark to rep ${rep.rep}`, "Keep it", (text) => done(page.ask("note", { rep: rep.rep, text })), { maxLength: 500 }),
    ];
  },
};

// -------------------------------------------------------------------------------------------------- trial

const trial = {
  title: "Try a cue or a drill",
  body: () => {
    const rep = page.rep();
    const { cues, drills } = page.parts();
    let kind = "cue";
    let measure = null;
    const body = make("div");
    const draw = () => {
      const fits = kind === "cue" ? rep?.cue_words : rep?.drill_words;
      const list = (kind === "cue" ? cues : drills).filter((w) => w !== fits);
      const start = (w) => done(page.ask("trial", { kind, words: w, measure }));
      const numbers = (rep?.numbers ?? []).filter((n) => !n.withheld);
      body.replaceChildren(
        make("p", {}, "The last three reps count as before, the next three as with it. Then the page says whether it changed anything."),
        make("h3", {}, "What is tried?"),
        choices([["a cue", "cue"], ["a drill", "drill"]], kind, (k) => { kind = k; draw(); }),
        make("h3", {}, "Which number should change?"),
        choices([["the one the cue is for", null], ...numbers.map((n) => [n.label, n.measure])], measure, (m) => { measure = m; draw(); }),
        make("h3", {}, "Begin with"),
        choices([...(fits ? [[`${fits} (fits the last rep)`, fits]] : []), ...list.map((w) => [w, w])], null, start, { long: true }),
        line("In your own words", "Begin", start, { maxLength: 200 }),
      );
      for (const element of body.children) element.style.marginBottom = "12px";
    };
    draw();
    return [body];
  },
};

// -------------------------------------------------------------------------------------------------- plate

const BATTERY_LOW_V = 3.5;

/** One device in words. */
function deviceLine(d) {
  const lost = d.lost === null ? "losses not known" : d.lost ? `${d.lost} samples lost` : "nothing lost";
  const told = [d.state, d.rate_hz ? `${Math.round(d.rate_hz)} samples/s` : null, lost];
  if (d.battery) told.push(`battery ${d.battery.toFixed(1)} V${d.battery < BATTERY_LOW_V ? ", nearly empty" : ""}`);
  if (d.kind === "plate") told.push(zeroWords(d.zeroed));
  return make("li", {}, make("b", {}, d.name), `: ${told.filter(Boolean).join(", ")}`, d.problem ? make("div", {}, d.problem) : null);
}

const zeroWords = (zeroed) => (zeroed ? `zeroed, ${Math.abs(zeroed.offset_n).toFixed(1)} N taken off` : "not zeroed yet: leave it empty for a moment");

const plate = {
  title: "Plate, bar and keys",
  shows: ["devices", "recording"],
  body: () => {
    const list = make("ul", { id: "device-list" });
    const file = make("p", { id: "file", className: "soft" });
    setTimeout(plate.refresh);
    return [
      list,
      make("div", { className: "line" }, make("button", { onclick: () => done(page.ask("zero")) }, "Zero the empty plate")),
      line("Daily check: put one known mass on the plate, kg", "Check", (text) => { if (Number.isFinite(comma(text))) page.ask("check", { mass_kg: comma(text) }); }, { inputMode: "decimal" }),
      file,
      make("div", { className: "line" }, make("button", { "aria-pressed": String(keys), onclick: (event) => { keys = !keys; event.currentTarget.setAttribute("aria-pressed", String(keys)); } }, "Keys: m made, f and b missed, u undo, l load, arrows look at reps")),
    ];
  },
  refresh: () => {
    const { devices, recording } = page.parts();
    at("device-list")?.replaceChildren(...devices.map(deviceLine));
    if (at("file")) at("file").textContent = `Recording ${recording.file}, ${Math.floor(recording.seconds / 60)} min ${recording.seconds % 60} s. ${recording.failure ?? "It goes on if this page is closed."}`;
  },
};

// ------------------------------------------------------------------------------------------------ sharing

const ROLE = { helper: "second screen", lifter: "lifter" };

const share = {
  title: "Let others look",
  shows: ["sharing"],
  body: () => { setTimeout(share.refresh); return [make("div", { id: "sharing" })]; },
  refresh: () => {
    const place = at("sharing");
    if (!place) return;
    const { sharing, card, athletes } = page.parts();
    const key = JSON.stringify([sharing.invitation?.code, sharing.guests, sharing.here, card.athlete]);
    if (place.dataset.key !== key) {
      const focus = document.activeElement?.closest?.("#sharing button")?.textContent;
      place.dataset.key = key;
      place.replaceChildren(...shareBody(sharing, card, athletes));
      if (focus) [...place.querySelectorAll("button")].find((b) => b.textContent === focus)?.focus();
    }
    const left = at("code-left");
    if (left && sharing.invitation) left.textContent = `Good for one guest, ${Math.ceil(sharing.invitation.left_s / 60)} min more. Whoever sees the code can use it: show it to that person alone.`;
  },
};

function shareBody(sharing, card, athletes) {
  if (!sharing.address) {
    return [make("p", {}, "This page can be seen on this laptop alone. Start forcekit live with --share to let a tablet or a lifter's phone in the same network look.")];
  }
  const { invitation } = sharing;
  const whose = make("select", { id: "whose" }, ...athletes.map((name) => make("option", { value: name, selected: name === card.athlete }, name)));
  const offer = [
    make("button", { onclick: () => page.ask("invite", { role: "helper" }) }, "A second screen of mine (may change things)"),
    ...(athletes.length ? [make("label", {}, "A lifter (sees own lifts only)", whose), make("button", { onclick: () => page.ask("invite", { role: "lifter", athlete: whose.value }) }, "Code for this lifter")] : []),
  ];
  const code = invitation && make("div", { className: "code" },
    make("img", { src: `/code.svg?${invitation.code}`, alt: "The address with the code, to be scanned" }),
    make("div", {},
      make("p", {}, invitation.role === "lifter" ? `For ${invitation.athlete}` : "For a second screen"),
      make("p", { className: "digits", "aria-label": invitation.code.split("").join(" ") }, `${invitation.code.slice(0, 3)} ${invitation.code.slice(3)}`),
      make("p", {}, `at ${sharing.address}/join`),
      make("p", { id: "code-left", className: "soft" }),
      make("button", { onclick: () => page.ask("withdraw") }, "Take the code back")));
  const guests = sharing.guests.map((g) => make("li", {},
    make("span", {}, make("b", {}, g.name), ` · ${ROLE[g.role]}${g.athlete ? ` (${g.athlete})` : ""} · ${g.pages ? "looking on" : "away"} `),
    make("button", { onclick: () => page.ask("show out", { guest: g.number }) }, `Show ${g.name} out`)));
  return [
    code ?? make("div", { className: "line" }, ...offer),
    make("h3", {}, "Who looks on"),
    make("p", {}, `This laptop: ${sharing.here} page${sharing.here === 1 ? "" : "s"}.`),
    guests.length ? make("ul", { className: "guests" }, ...guests) : make("p", { className: "soft" }, "No guests."),
    make("p", { className: "soft" }, "Guests are let in until this session ends. The gym's network carries names and numbers unencrypted."),
  ];
}

export const sheets = {
  athlete, movement, load, cue, drill, outcome, trial, plate, share,
  begin: (given) => {
    page = given;
    at("sheet-close").onclick = close;
    at("sheet").addEventListener("click", (event) => { if (event.target === at("sheet")) close(); });
  },
  keysOff: () => !keys || at("sheet").open,
};
