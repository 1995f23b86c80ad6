// The charts of cycles: their lengths on the log's own time axis, the freezes and harvests laid over each other.

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
    if (flags) parts.push(flags.map((code) => data.names[code] ?? code).join(", "));
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
      traces.push({ ...base, x: part.usual.x, y: part.usual.y, customdata: part.usual.c, marker: { size: 9, symbol: "line-ew", line: { width: 2.5, color: colour(phase) } } });
      traces.push({ ...base, x: part.odd.x, y: part.odd.y, customdata: part.odd.c, marker: { size: 13, symbol: "line-ew", line: { width: 5, color: colour("odd") } } });
      const [low, centre, high] = cycles.limits[key], line = (v, dash, width = 1) => shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, yref: y, y0: v, y1: v, line: { color: colour("ink"), width, dash } });
      const say = (v, key) => names.push({ v, text: word(key), y });
      if (low !== null) {
        shapes.push({ type: "rect", layer: "below", xref: "paper", x0: 0, x1: 1, yref: y, y0: low, y1: high, fillcolor: colour("band"), opacity: 0.45, line: { width: 0 } });
        say(centre, "chart.usual");
      }
      const [least, most] = data.expected[key];
      const shown = [...cycles[key]].filter(Number.isFinite), top = Math.max(...shown, high ?? 0), floor = Math.min(...shown, low ?? Infinity);
      const room = Math.max((top - floor) * 0.12, 0.4);
      if (most < top + room) { line(most, "dot", 1.5); say(most, "chart.expected"); }
      if (least > floor - room) { line(least, "dot", 1.5); say(least, "chart.expected"); }
      // Names of the lines at their right end; one that would lie on another is left out.
      const clear = (top - floor + 2 * room) / 10, put = [];
      for (const each of names.filter((n) => n.y === y)) if (put.every((q) => Math.abs(q - each.v) > clear)) put.push(each.v); else each.text = "";
      for (const visit of data.visits) shapes.push({ type: "line", xref: "x", yref: y + " domain", x0: visit.at, x1: visit.at, y0: 0, y1: 1, line: { color: colour("ink"), width: 1, dash: "dash" } });
      if (chosen !== null) shapes.push({ type: "line", xref: "x", yref: y + " domain", x0: cycles.start[chosen], x1: cycles.start[chosen], y0: 0, y1: 1, line: { color: colour("odd"), width: 1.5, dash: "dot" } });
      axes["yaxis" + (row ? row + 1 : "")] = drawing.axis({ domain: rows.length === 1 ? [0, 1] : row ? [0, 0.44] : [0.54, 1], range: [Math.max(0, floor - room), top + room], title: drawing.title(word("phase." + phase) + ", " + word("chart.minutes")), nticks: 6 });
    });
    return drawing.put(plot, traces, drawing.layout({ ...axes, xaxis: timeAxis(plot, view, { anchor: rows.length > 1 ? "y2" : "y" }), shapes, annotations: drawing.margins(plot).r < 50 ? [] : names.filter((n) => n.text).map((n) => ({ xref: "paper", x: 1, xanchor: "left", xshift: 5, yref: n.y, y: n.v, yanchor: "middle", showarrow: false, align: "left", text: n.text.length > 16 ? n.text.replace(/^(\S+ \S+) /, "$1<br>") : n.text, font: { size: 11, color: colour("soft") } })), height: rows.length > 1 ? 400 : 250, hovermode: "closest", margin: { ...drawing.margins(plot), t: 10, b: 40 } }));
  }

  function overlay(id, name) {
    const plot = element(id), over = data.overlays?.[name];
    if (!plot || !over) return;
    const n = over.low.length, x = Array.from({ length: n }, (_, i) => over.minutes * i / (n - 1)), y = (v) => drawing.array(over.unit, [...v]);
    const curves = over.cycles.map((_, k) => over.curves.subarray(k * n, (k + 1) * n));
    const seen = x.map((_, i) => i).filter((i) => Number.isFinite(over.low[i])), pick = (v) => seen.map((i) => v[i]);
    const line = { type: "scatter", mode: "lines", hoverinfo: "none" };
    const thin = curves.length > 12 ? 0.8 : 1.4; // many would be one blot
    const traces = [
      ...curves.map((curve, k) => ({ ...line, x, y: y(curve), customdata: x.map(() => over.cycles[k]), line: { color: colour("odd"), width: chosen !== null && over.cycles[k] === cycles.number[chosen] ? 4 : thin } })),
      { ...line, x: pick(x), y: pick(y(over.low)), line: { width: 0 }, hoverinfo: "skip" },
      { ...line, x: pick(x), y: pick(y(over.high)), line: { width: 0 }, fill: "tonexty", fillcolor: colour("band") + "cc", hoverinfo: "skip" },
      { ...line, x: pick(x), y: pick(y(over.middle)), line: { color: colour(name), width: 2, dash: "dash" }, hoverinfo: "skip" },
    ];
    return drawing.put(plot, traces, drawing.layout({ height: 320, hovermode: "closest", dragmode: false, xaxis: drawing.axis({ title: drawing.title(word("picture.minutes_" + name)), range: [0, over.minutes] }), yaxis: drawing.axis({ title: drawing.title(drawing.sign(over.unit)), nticks: 7 }) }));
  }

  function choose(i) {
    chosen = i;
    if (i !== null) {
      readout("lengths", describe(i));
      for (const [id, name] of [["freezes", "freeze"], ["harvests", "harvest"]]) {
        const over = data.overlays?.[name], k = over ? over.cycles.indexOf(cycles.number[i]) : -1;
        if (element(id)?.data) Plotly.restyle(element(id), { "line.width": over.cycles.map((_, m) => (m === k ? 4 : over.cycles.length > 12 ? 0.8 : 1.4)) }, over.cycles.map((_, m) => m));
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
    for (const each of document.querySelectorAll(".plot .waiting")) each.textContent = word("chart.none");
    for (const each of document.querySelectorAll(".plot:has(.plot-container) .waiting")) each.remove();
  }
  function follow(plot) {
    plot.on("plotly_relayout", (change) => {
      if ("xaxis.range[0]" in change) bus.look(change["xaxis.range[0]"], change["xaxis.range[1]"]);
      else if (change["xaxis.autorange"]) bus.look(0, data.span);
    });
  }
  function draw() { return Promise.all([lengths(bus.view()), overlay("freezes", "freeze"), overlay("harvests", "harvest")]); }
  function redrawTimes(view) { lengths(view); }
  return { begin, draw, redrawTimes, choose, describe };
}
