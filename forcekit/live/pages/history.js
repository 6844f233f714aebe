// An athlete's history: sentences and the figure of one subject.

import { day, fetchJson, kilos, make } from "/parts/dom.js";

function list(title, sentences) {
  return sentences.length ? make("section", { className: "band" }, make("h3", {}, title), make("ul", {}, ...sentences.map((s) => make("li", {}, s[0].toUpperCase() + s.slice(1))))) : null;
}

function table(lifts) {
  const row = (l) => make("tr", {}, ...[day(l.at), kilos(l.load_kg), l.outcome || "not marked", l.cue || l.drill || ""].map((t) => make("td", {}, t)));
  const head = make("tr", {}, ...["day", "load", "outcome", "cue or drill"].map((t) => make("th", { scope: "col" }, t)));
  return make("div", { className: "band scroll", tabIndex: 0, role: "region", "aria-label": "Newest lifts" }, make("h3", {}, "Newest lifts"), make("table", {}, make("thead", {}, head), make("tbody", {}, ...lifts.map(row))));
}

/** Fill a place with what the history says of an athlete; a refusal is shown as the sentence it is. */
export async function showHistory(place, name, about) {
  const asked = new URLSearchParams({ name, about });
  place.dataset.asked = asked;
  place.setAttribute("aria-busy", "true");
  let found;
  try {
    found = await fetchJson(`/people/review?${asked}`);
  } catch (error) {
    if (place.dataset.asked === String(asked)) place.replaceChildren(make("p", { className: "soft" }, error.message));
    return;
  } finally {
    place.removeAttribute("aria-busy");
  }
  if (place.dataset.asked !== String(asked)) return;
  const picture = make("img", { className: "figure", alt: `${found.title} of ${name}, attempt by attempt. ${found.trends.join(" ")}`, src: `/people/figure.svg?${asked}` });
  place.replaceChildren(...[
    list("Which movements?", [found.together].filter(Boolean)),
    list("Is there a trend?", found.trends),
    make("div", { className: "paper", tabIndex: 0, role: "region", "aria-label": `Figure: ${found.title}` }, picture),
    list("What is usual?", found.usual),
    list("Makes and misses, and where it breaks", [found.misses, found.break_load].filter(Boolean)),
    table(found.lifts),
  ].filter(Boolean));
}
