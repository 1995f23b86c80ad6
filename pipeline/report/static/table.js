// The table of cycles: sorts, filters to the abnormal ones, downloads what is shown.

const MOST_ON_PAPER = 60;

function makeTable(data, drawing, clock, bus) {
  const box = document.getElementById("cycle-table"), cycles = data.cycles;
  if (!box || !cycles) return { draw() {} };
  const { word, show } = drawing;
  const has = (key) => cycles[key]?.some?.(Number.isFinite);
  const columns = [
    { key: "number", name: "cycle", n: true, text: (i) => String(cycles.number[i]), value: (i) => cycles.number[i] },
    { key: "start", name: "start", text: (i) => clock.moment(cycles.start[i]), value: (i) => cycles.start[i], csv: (i) => clock.iso(cycles.start[i]), file: "freeze_start" },
    measure("freeze_min", "freeze", "min"), measure("harvest_min", "harvest", "min"), measure("uncertainty_min", "uncertainty", "min"),
    measure("freeze_end_c", "freeze_end", "°C"), measure("harvest_peak_c", "harvest_peak", "°C"), measure("freeze_current_a", "current", "A"), measure("condenser_split_k", "split", "K"),
    { key: "complete", name: "complete", text: (i) => word(cycles.complete[i] ? "word.yes" : "word.no"), value: (i) => cycles.complete[i], csv: (i) => (cycles.complete[i] ? "true" : "false") },
    { key: "flags", name: "flags", css: "flags", text: (i) => (cycles.flags[cycles.number[i]] ?? []).map((code) => data.names[code] ?? code).join(", "), csv: (i) => (cycles.flags[cycles.number[i]] ?? []).join(" "), value: (i) => (cycles.flags[cycles.number[i]] ?? []).join(" ") },
  ].filter((c) => c && (!c.measure || has(c.key)));
  function measure(key, name, unit) {
    const text = (i) => (unit === "K" ? (Number.isFinite(cycles[key][i]) ? drawing.number(cycles[key][i] * (inUnits() === "us" ? 1.8 : 1), 1) + "\u00a0" + (inUnits() === "us" ? "°F" : "K") : "–") : show(unit, cycles[key][i]));
    return { key, name, n: true, measure: true, text, value: (i) => cycles[key][i], csv: (i) => (Number.isFinite(cycles[key][i]) ? String(Math.round(cycles[key][i] * 1000) / 1000) : "") };
  }
  const only = document.getElementById("only-abnormal");
  let sorted = { column: columns[0], down: false };

  function rows() {
    const all = [...cycles.number.keys()].filter((i) => !only.checked || String(cycles.number[i]) in cycles.flags);
    const { column, down } = sorted, missing = (v) => v === "" || Number.isNaN(v);
    return all.sort((a, b) => {
      const p = column.value(a), q = column.value(b);
      if (missing(p) || missing(q)) return missing(p) - missing(q) || a - b; // what is missing stays last, either way
      const order = typeof p === "string" ? p.localeCompare(q) : p - q;
      return (down ? -order : order) || a - b;
    });
  }
  function cell(tag, text, css) {
    const each = document.createElement(tag);
    each.textContent = text;
    if (css) each.className = css;
    return each;
  }
  function draw() {
    const table = document.createElement("table"), head = table.createTHead().insertRow(), body = table.createTBody();
    for (const column of columns) {
      const th = cell("th", "", column.n ? "n" : ""), button = cell("button", word("table." + column.name));
      th.scope = "col"; button.type = "button"; button.dataset.column = column.key;
      if (sorted.column === column) th.setAttribute("aria-sort", sorted.down ? "descending" : "ascending");
      button.addEventListener("click", () => {
        sorted = { column, down: sorted.column === column && !sorted.down };
        draw();
        box.querySelector(`[data-column=${column.key}]`).focus();
      });
      // Browsers leave buttons out of a head that they repeat on the next sheet of paper, but not words.
      th.append(button, cell("span", word("table." + column.name), "on-paper"));
      head.append(th);
    }
    head.append(cell("td", "", "act"));
    const shown = rows();
    let odd = 0;
    for (const i of shown) {
      const tr = body.insertRow();
      if (String(cycles.number[i]) in cycles.flags) tr.className = ++odd > MOST_ON_PAPER ? "odd screen-only" : "odd";
      for (const column of columns) tr.append(cell("td", column.text(i), column.css ?? (column.n ? "n" : "")));
      const act = cell("td", "", "act"), button = cell("button", word("table.show"), "quiet");
      button.type = "button"; button.dataset.cycle = i;
      button.setAttribute("aria-label", word("table.show") + ": " + word("chart.cycle") + " " + cycles.number[i]);
      act.append(button);
      tr.append(act);
    }
    box.replaceChildren(table);
    document.getElementById("table-shown").textContent = word("table.shown", { shown: shown.length, all: cycles.number.length });
  }
  function download() {
    const names = columns.map((c) => c.file ?? (c.key === "number" ? "cycle" : c.key));
    const lines = [names, ...rows().map((i) => columns.map((c) => (c.csv ?? c.text)(i)))];
    const url = URL.createObjectURL(new Blob([lines.map((l) => l.join(",")).join("\n") + "\n"], { type: "text/csv" }));
    const link = document.createElement("a");
    link.href = url; link.download = data.file;
    link.click();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  }
  only.addEventListener("change", draw);
  document.querySelector("[data-act=download]").addEventListener("click", download);
  box.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-cycle]");
    if (button) bus.show(Number(button.dataset.cycle));
  });
  return { draw };
}
