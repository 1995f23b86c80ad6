// The three lists of units: find, order.

(() => {
  const all = document.getElementById("units"), find = document.getElementById("find"), sort = document.getElementById("sort");
  if (!all) return;
  const items = [...all.querySelectorAll("li")], shown = document.getElementById("shown"), words = shown.dataset;
  function update() {
    const wanted = find.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const item of items) {
      item.hidden = !wanted.every((w) => item.dataset.search.includes(w));
      count += !item.hidden;
    }
    all.classList.toggle("ordered", wanted.length > 0 || sort.value !== "worst"); // then each row says its own place
    for (const part of all.querySelectorAll("section")) part.hidden = !part.querySelector("li:not([hidden])");
    for (const list of all.querySelectorAll("section.list")) list.querySelector(".n").textContent = list.querySelectorAll("li:not([hidden])").length;
    shown.textContent = count === items.length ? "" : words.pattern.replace("{shown}", count).replace("{all}", items.length);
  }
  function order() {
    const key = sort.value;
    const by = key === "name"
      ? (a, b) => a.dataset.name.localeCompare(b.dataset.name)
      : (a, b) => b.dataset[key] - a.dataset[key] || b.dataset.worst - a.dataset.worst;
    for (const units of all.querySelectorAll("ol")) units.append(...[...units.children].sort(by));
  }
  find.addEventListener("input", update);
  sort.addEventListener("change", () => { order(); update(); });
  update();
  page.dataset.drawn = String(Math.round(performance.now()));
})();
