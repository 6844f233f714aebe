// Coming in with the coach's code; a scanned address carries it behind the #, where no server sees it.

import { at, fetchJson, themeSwitch } from "/parts/dom.js";

themeSwitch(null);
const scanned = location.hash.slice(1).replace(/\D/g, "");
if (scanned) {
  at("code").value = scanned;
  history.replaceState(null, "", "/join");
}
at(scanned ? "name" : "code").focus();

at("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const { go } = await fetchJson("/join", { code: at("code").value, name: at("name").value });
    location.replace(go);
  } catch (error) {
    at("why").textContent = error.message;
  }
});
