"use strict";
// The reader's units and tone, on every page. Other scripts listen for the "units" and "tone" events of the document.

const page = document.documentElement;

function inUnits() { return page.dataset.units; }

function setUnits(units) {
  page.dataset.units = units;
  for (const each of document.querySelectorAll(".q")) each.textContent = each.dataset[units];
  document.dispatchEvent(new Event("units"));
}

function isDark() {
  return page.dataset.theme ? page.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

for (const each of document.querySelectorAll("[data-needs-script]")) each.hidden = false;
for (const each of document.querySelectorAll("input[name=units]")) {
  each.addEventListener("change", () => setUnits(each.value));
}
document.querySelector("[data-act=tone]")?.addEventListener("click", () => {
  page.dataset.theme = isDark() ? "light" : "dark";
  document.dispatchEvent(new Event("tone"));
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => document.dispatchEvent(new Event("tone")));
