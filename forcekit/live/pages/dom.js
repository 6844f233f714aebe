// Building blocks of the pages. Whatever a person typed only ever becomes text: nothing here reads markup.

/** Make an element: properties, data-* and aria-* attributes, handlers (on...), then children (elements or text). */
export function make(tag, about = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(about)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name.includes("-") || name === "role") element.setAttribute(name, value);
    else element[name] = value;
  }
  element.append(...children.filter((c) => c !== null && c !== undefined));
  return element;
}

export const at = (id) => document.getElementById(id);

/** Set text only when it differs, so that screen readers are not told the same again. */
export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Number of kilograms as a person writes it. */
export const kilos = (kg) => (kg === null || kg === undefined ? "no load" : `${Number(kg.toFixed(2))} kg`);

/** Day of a time, seconds since 1970 (UTC), as the clock on the wall has it. */
export function day(seconds) {
  const at = new Date(seconds * 1000);
  return [at.getFullYear(), at.getMonth() + 1, at.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
}

let fading = 0;

/** Say something that needs to be seen and heard now. */
export function tell(words) {
  const answer = at("answer");
  if (!answer || !words) return;
  answer.textContent = words;
  answer.hidden = false;
  clearTimeout(fading);
  fading = setTimeout(() => { answer.hidden = true; }, 3000 + 55 * words.length);
}

/** Ask the server for JSON; its refusal becomes an error with the server's sentence. */
export async function fetchJson(path, body) {
  const request = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  let response;
  try {
    response = await fetch(path, request);
  } catch {
    throw new Error("The laptop does not answer. Is forcekit still running there?");
  }
  const found = await response.json();
  if (!response.ok) throw new Error(found.why || "That did not work.");
  return found;
}

/** Light, dark, or as the system has it: kept for this browser. */
export function themeSwitch(button) {
  const root = document.documentElement;
  const system = matchMedia("(prefers-color-scheme: dark)");
  const dark = () => (root.dataset.theme ? root.dataset.theme === "dark" : system.matches);
  const name = () => { if (button) button.textContent = dark() ? "To light" : "To dark"; };
  let kept = null;
  try { kept = localStorage.getItem("theme"); } catch { /* storage is switched off: the system decides */ }
  if (kept === "light" || kept === "dark") root.dataset.theme = kept;
  name();
  const changed = () => { name(); dispatchEvent(new Event("theme")); };
  system.addEventListener("change", changed);
  button?.addEventListener("click", () => {
    root.dataset.theme = dark() ? "light" : "dark";
    try { localStorage.setItem("theme", root.dataset.theme); } catch { /* holds until the page is closed */ }
    changed();
  });
}
