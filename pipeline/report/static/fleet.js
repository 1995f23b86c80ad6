// The list of units: find, show by verdict, order.

(() => {
  const list = document.getElementById("units"), find = document.getElementById("find"), sort = document.getElementById("sort");
  if (!list) return;
  const items = [...list.children], shown = document.getElementById("shown");
  const levels = [...document.querySelectorAll("input[name=level]")];
  const words = shown.dataset;
  function update() {
    const wanted = find.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    const on = new Set(levels.filter((each) => each.checked).map((each) => each.value));
    let count = 0;
    for (const item of items) {
      item.hidden = !on.has(item.dataset.level) || !wanted.every((w) => item.dataset.search.includes(w));
      count += !item.hidden;
    }
    shown.textContent = words.pattern.replace("{shown}", count).replace("{all}", items.length);
  }
  function order() {
    const key = sort.value;
    const by = key === "name"
      ? (a, b) => a.dataset.name.localeCompare(b.dataset.name)
      : (a, b) => b.dataset[key] - a.dataset[key] || b.dataset.worst - a.dataset.worst;
    list.append(...items.sort(by));
  }
  find.addEventListener("input", update);
  for (const each of levels) each.addEventListener("change", update);
  sort.addEventListener("change", order);
  update();
  page.dataset.drawn = String(Math.round(performance.now()));
})();
