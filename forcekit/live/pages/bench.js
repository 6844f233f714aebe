// The bench: who is there, what the history says of each, and adding somebody.

import { at, day, fetchJson, make, themeSwitch, write } from "/parts/dom.js";
import { showHistory } from "/parts/history.js";

const FIELDS = ["name", "body_mass_kg", "stature_cm", "foot_length_cm"];
let who = new URLSearchParams(location.search).get("name");
let about = "balance";
let subjects = {};

themeSwitch(at("theme"));

async function begin() {
  let found;
  try {
    found = await fetchJson("/people");
  } catch (error) {
    write(at("whose"), error.message);
    return;
  }
  subjects = found.subjects;
  const person = (p) => make("li", {}, make("button", { "data-name": p.name, onclick: () => look(p.name, about) },
    make("b", {}, p.name), make("span", { className: "soft" }, `${p.lifts} lift${p.lifts === 1 ? "" : "s"}${p.last_at ? `, last ${day(p.last_at)}` : ""}`)));
  at("people").replaceChildren(...found.people.map(person));
  const first = found.people.find((p) => p.name === who) ?? found.people.find((p) => p.lifts) ?? found.people[0];
  if (first) look(first.name, about);
}

function look(name, subject) {
  who = name;
  about = subject;
  for (const button of at("people").querySelectorAll("button")) button.setAttribute("aria-pressed", String(button.dataset.name === who));
  write(at("whose"), who);
  at("subjects").replaceChildren(...Object.entries(subjects).map(([key, title]) =>
    make("button", { "aria-pressed": String(key === about), onclick: () => look(who, key) }, title)));
  showHistory(at("history"), who, about);
}

at("add").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const { name } = await fetchJson("/people", Object.fromEntries(FIELDS.map((f) => [f, at(f).value])));
    who = name;
    write(at("why"), `${name} was added.`);
    for (const f of FIELDS) at(f).value = "";
    await begin();
  } catch (error) {
    write(at("why"), error.message);
  }
});

begin();
