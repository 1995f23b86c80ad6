// The charts of cycles: their lengths on the log's own time axis, the freezes and harvests laid over each other, the
// days, and the hours of the days.

function makeCycles(data, drawing, clock, bus) {
  const { colour, word, show } = drawing;
  const cycles = data.cycles, element = (id) => document.getElementById("plot-" + id);
  const isOdd = (i, phase) => (cycles.flags[cycles.number[i]] ?? []).some((code) => data.about[phase].includes(code));
  const readout = (id, text) => { document.getElementById("readout-" + id).textContent = text; };
  const rows = [["freeze_min", "freeze"], ["harvest_min", "harvest"]].filter(([key]) => cycles?.[key]?.some(Number.isFinite));
  let chosen = null;

  function describe(i) {
    const parts = [word("chart.cycle") + " " + cycles.number[i], clock.moment(cycles.start[i])];
    for (const [key, phase] of rows) parts.push(word("phase." + phase) + "\u00a0" + show("min", cycles[key][i]));
    const flags = cycles.flags[cycles.number[i]];
    if (flags) parts.push(flags.join(", "));
    return parts.join(" · ");
  }
  function timeAxis(plot, view, more) {
    const ticks = clock.ticks(view[0], view[1], Math.max(3, plot.clientWidth / 110));
    return drawing.axis({ range: view, fixedrange: false, tickvals: ticks.values, ticktext: ticks.names, ...more });
  }

  function lengths(view) {
    const plot = element("lengths");
    if (!plot || !rows.length) return;
    const traces = [], shapes = [], names = [], axes = {};
    rows.forEach(([key, phase], row) => {
      const y = "y" + (row ? row + 1 : ""), part = { usual: { x: [], y: [], c: [] }, odd: { x: [], y: [], c: [] } };
      cycles[key].forEach((v, i) => {
        if (!Number.isFinite(v)) return;
        const into = part[isOdd(i, phase) ? "odd" : "usual"];
        into.x.push(cycles.start[i]); into.y.push(v); into.c.push(i);
      });
      const base = { type: "scatter", mode: "markers", yaxis: y, hoverinfo: "none" };
      traces.push({ ...base, x: part.usual.x, y: part.usual.y, customdata: part.usual.c, marker: { size: 5, color: colour(phase), symbol: "circle" } });
      traces.push({ ...base, x: part.odd.x, y: part.odd.y, customdata: part.odd.c, marker: { size: 10, color: colour("odd"), symbol: "diamond", line: { width: 1, color: colour("sheet") } } });
      const [low, centre, high] = cycles.limits[key], line = (v, dash, width = 1) => shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, yref: y, y0: v, y1: v, line: { color: colour("ink"), width, dash } });
      const say = (v, key) => names.push({ v, text: word(key), y });
      if (centre !== null) { line(centre, "solid"); say(centre, "chart.centre"); }
      if (low !== null) { line(low, "dash"); line(high, "dash"); say(high, "chart.limit"); }
      const [least, most] = data.expected[key];
      const shown = [...cycles[key]].filter(Number.isFinite), top = Math.max(...shown, high ?? 0), floor = Math.min(...shown, low ?? Infinity);
      const room = Math.max((top - floor) * 0.12, 0.4);
      if (most < top + room) { line(most, "dot", 1.5); say(most, "chart.expected"); }
      if (least > floor - room) { line(least, "dot", 1.5); say(least, "chart.expected"); }
      // Names of the lines at their right end; one that would lie on another is left out.
      const clear = (top - floor + 2 * room) / 10, put = [];
      for (const each of names.filter((n) => n.y === y)) if (put.every((q) => Math.abs(q - each.v) > clear)) put.push(each.v); else each.text = "";
      if (chosen !== null) shapes.push({ type: "line", xref: "x", yref: y + " domain", x0: cycles.start[chosen], x1: cycles.start[chosen], y0: 0, y1: 1, line: { color: colour("odd"), width: 1.5, dash: "dot" } });
      axes["yaxis" + (row ? row + 1 : "")] = drawing.axis({ domain: rows.length === 1 ? [0, 1] : row ? [0, 0.44] : [0.54, 1], range: [Math.max(0, floor - room), top + room], title: drawing.title(word("phase." + phase) + ", " + word("chart.minutes")), nticks: 6 });
    });
    return drawing.put(plot, traces, drawing.layout({ ...axes, xaxis: timeAxis(plot, view, { anchor: rows.length > 1 ? "y2" : "y" }), shapes, annotations: drawing.margins(plot).r < 50 ? [] : names.filter((n) => n.text).map((n) => ({ xref: "paper", x: 1, xanchor: "left", xshift: 5, yref: n.y, y: n.v, yanchor: "middle", showarrow: false, align: "left", text: n.text.length > 16 ? n.text.replace(/^(\S+ \S+) /, "$1<br>") : n.text, font: { size: 11, color: colour("soft") } })), height: rows.length > 1 ? 400 : 250, hovermode: "closest", margin: { ...drawing.margins(plot), t: 10, b: 40 } }));
  }

  function overlay(id, name) {
    const plot = element(id), over = data.overlays?.[name];
    if (!plot || !over) return;
    const n = over.low.length, x = Array.from({ length: n }, (_, i) => over.minutes * i / (n - 1)), y = (v) => drawing.array(over.unit, [...v]);
    const seen = x.map((_, i) => i).filter((i) => Number.isFinite(over.low[i])), pick = (v) => seen.map((i) => v[i]);
    const line = { type: "scatter", mode: "lines", hoverinfo: "none" };
    const traces = [
      { ...line, x: pick(x), y: pick(y(over.low)), line: { width: 0 }, hoverinfo: "skip" },
      { ...line, x: pick(x), y: pick(y(over.high)), line: { width: 0 }, fill: "tonexty", fillcolor: colour("band"), hoverinfo: "skip" },
      { ...line, x: pick(x), y: pick(y(over.middle)), line: { color: colour(name), width: 2, dash: "dash" }, hoverinfo: "skip" },
      ...over.curves.map((curve, k) => ({ ...line, x, y: y(curve), customdata: x.map(() => over.cycles[k]), line: { color: colour("odd"), width: chosen !== null && over.cycles[k] === cycles.number[chosen] ? 4 : 1.4 } })),
    ];
    return drawing.put(plot, traces, drawing.layout({ height: 320, hovermode: "closest", dragmode: false, xaxis: drawing.axis({ title: drawing.title(word("picture.minutes_" + name)), range: [0, over.minutes] }), yaxis: drawing.axis({ title: drawing.title(drawing.sign(over.unit)), nticks: 7 }) }));
  }

  function days(view) {
    const plot = element("days"), table = data.days;
    if (!plot || !table) return;
    const kg = table.kg_per_cycle, value = table.cycles.map((n) => (kg === null ? n : drawing.convert("kg", n * kg)));
    const unit = kg === null ? word("chart.cycles_axis") : drawing.sign("kg");
    const trace = { type: "bar", x: table.noon, y: value, width: table.noon.map(() => 62000), hoverinfo: "none", marker: { color: colour("freeze"), line: { color: colour("freeze"), width: 1.5 }, pattern: { shape: table.whole.map((w) => (w ? "" : "/")), fillmode: "replace", bgcolor: colour("sheet"), size: 8, solidity: 0.25 } } };
    return drawing.put(plot, [trace], drawing.layout({ height: 220, hovermode: "closest", margin: { ...drawing.margins(plot), t: 10, b: 40 }, xaxis: timeAxis(plot, view), yaxis: drawing.axis({ title: drawing.title(unit), rangemode: "tozero", nticks: 5 }) }));
  }

  const CALENDAR = [["making", ["freeze", "harvest"]], ["harvest", ["harvest"]], ["idle", ["idle"]], ["unclear", ["unclear"]], ["gap", ["gap"]]];
  let picked = "making";
  function minutesOf(day, hour, names) {
    return names.reduce((sum, name) => sum + data.days.minutes[(day * 24 + hour) * data.kinds.length + data.kinds.indexOf(name)], 0);
  }
  function calendar() {
    const plot = element("calendar"), table = data.days;
    if (!plot || !table) return;
    const names = CALENDAR.find(([key]) => key === picked)[1], hours = [...Array(24).keys()];
    const z = table.date.map((_, d) => hours.map((h) => (minutesOf(d, h, data.kinds) ? Math.min(100, minutesOf(d, h, names) / 0.6) : null)));
    const label = table.noon.map((t) => clock.moment(t, false).split(" ").slice(0, 3).join(" "));
    const trace = { type: "heatmap", z, x: hours, y: label.map((_, i) => i), zmin: 0, zmax: 100, showscale: false, xgap: 1, ygap: 1, hoverinfo: "none", colorscale: [[0, colour("tint")], [1, colour("freeze")]] };
    return drawing.put(plot, [trace], drawing.layout({ height: 60 + Math.max(16, Math.min(26, 520 / label.length)) * label.length, dragmode: false, margin: { ...drawing.margins(plot), t: 8, b: 34 }, xaxis: drawing.axis({ tickvals: hours.filter((h) => h % (plot.clientWidth > 640 ? 3 : 6) === 0), ticktext: hours.filter((h) => h % (plot.clientWidth > 640 ? 3 : 6) === 0).map((h) => String(h).padStart(2, "0") + ":00"), tickangle: 0, showgrid: false }), yaxis: drawing.axis({ autorange: "reversed", showgrid: false, tickvals: label.map((_, i) => i).filter((i) => label.length <= 16 || i % 2 === 0), ticktext: label.filter((_, i) => label.length <= 16 || i % 2 === 0) }) }));
  }
  function calendarKeys() {
    const box = document.getElementById("keys-calendar");
    if (!box) return;
    const seen = CALENDAR.filter(([, names]) => data.days.date.some((_, d) => [...Array(24).keys()].some((h) => minutesOf(d, h, names) > 0)));
    picked = (seen.find(([key]) => key === picked) ?? seen[0])?.[0] ?? picked;
    for (const [key] of seen) {
      const button = document.createElement("button");
      button.type = "button"; button.className = "radio";
      button.textContent = key === "making" ? word("chart.making") : word("phase." + key);
      button.setAttribute("aria-pressed", String(key === picked));
      button.addEventListener("click", () => {
        picked = key;
        for (const each of box.children) each.setAttribute("aria-pressed", String(each === button));
        calendar();
      });
      box.append(button);
    }
  }

  function choose(i) {
    chosen = i;
    if (i !== null) {
      readout("lengths", describe(i));
      for (const [id, name] of [["freezes", "freeze"], ["harvests", "harvest"]]) {
        const over = data.overlays?.[name], k = over ? over.cycles.indexOf(cycles.number[i]) : -1;
        if (element(id)?.data) Plotly.restyle(element(id), { "line.width": over.curves.map((_, m) => (m === k ? 4 : 1.4)) }, over.curves.map((_, m) => m + 3));
      }
    }
    return lengths(bus.view());
  }
  const indexOf = (number) => cycles.number.indexOf(number);

  async function begin() {
    if (cycles && rows.length && element("lengths")) {
      await lengths(bus.view());
      element("lengths").on("plotly_hover", (event) => { const i = event.points[0].customdata; readout("lengths", describe(i)); bus.point(i); });
      element("lengths").on("plotly_click", (event) => bus.show(event.points[0].customdata));
      follow(element("lengths"));
    }
    for (const [id, name] of [["freezes", "freeze"], ["harvests", "harvest"]]) {
      await overlay(id, name);
      element(id)?.on?.("plotly_hover", (event) => { const i = indexOf(event.points[0].customdata); readout(id, describe(i)); bus.point(i); });
    }
    if (data.days) {
      await days(bus.view());
      element("days")?.on("plotly_hover", (event) => {
        const d = event.points[0].pointIndex, kg = data.days.kg_per_cycle, n = data.days.cycles[d];
        readout("days", clock.moment(data.days.noon[d], false).split(" ").slice(0, 3).join(" ") + " · " + n + " " + word("chart.cycles_axis") + (kg === null ? "" : " · " + show("kg", n * kg)) + (data.days.whole[d] ? "" : " · " + word("chart.partial")));
      });
      if (element("days")) follow(element("days"));
      calendarKeys();
      await calendar();
      element("calendar")?.on("plotly_hover", (event) => {
        const { x: h, y: d } = event.points[0], parts = [clock.moment(data.days.noon[d], false).split(" ").slice(0, 3).join(" ") + ", " + h + ":00"];
        data.kinds.forEach((name) => { const m = minutesOf(d, h, [name]); if (m) parts.push(word("phase." + name) + "\u00a0" + m + "\u00a0" + word("chart.minutes")); });
        readout("calendar", parts.join(" · "));
      });
    }
    for (const each of document.querySelectorAll(".plot .waiting")) each.textContent = word("chart.none");
    for (const each of document.querySelectorAll(".plot:has(.plot-container) .waiting")) each.remove();
  }
  function follow(plot) {
    plot.on("plotly_relayout", (change) => {
      if ("xaxis.range[0]" in change) bus.look(change["xaxis.range[0]"], change["xaxis.range[1]"]);
      else if (change["xaxis.autorange"]) bus.look(0, data.span);
    });
  }
  function draw() { return Promise.all([lengths(bus.view()), overlay("freezes", "freeze"), overlay("harvests", "harvest"), days(bus.view()), calendar()]); }
  function redrawTimes(view) { lengths(view); days(view); }
  return { begin, draw, redrawTimes, choose, describe };
}
