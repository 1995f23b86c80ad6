// The whole log: panels of channels, under them one ribbon of phases with the marks of findings; as fine as the page holds
// wherever one looks.

function makeLog(data, drawing, clock, bus) {
  const { colour, word } = drawing;
  const plot = document.getElementById("plot-log");
  const span = data.span, kinds = data.kinds, edge = data.phases.edge, kind = data.phases.kind;
  const hidden = new Set();
  let view = [0, span], chosen = null, labels = [];

  const traceColour = (n) => colour("trace-" + (n % 6 + 1));
  const points = makePoints(data);

  // Panels from top to bottom: one a unit, then the ribbon.
  const sizes = { ribbon: 44, "°C": 250 };
  const panels = [...data.panels, "ribbon"], ribbon = panels.length - 1;
  const heights = panels.map((p) => sizes[p] ?? 120);
  const total = heights.reduce((a, b) => a + b + 16, 0);
  const domains = [];
  heights.reduce((top, h, i) => { domains[i] = [1 - (top + h) / (total - 16), 1 - top / (total - 16)]; return top + h + 16; }, 0);
  const axisName = (i) => "y" + (i ? i + 1 : "");

  // How tall the ribbon is in each phase [px]; without readings there is none.
  const TALL = { freeze: 9, harvest: 15, idle: 2, unclear: 5 };
  function phaseTraces() {
    const traces = Object.keys(TALL).map((name) => {
      const k = kinds.indexOf(name), x = [], y = [];
      const least = (view[1] - view[0]) / 1800; // what is narrower than half a dot would vanish
      for (let i = 0; i < kind.length; i++) {
        if (kind[i] !== k || edge[i + 1] < view[0] - 1 || edge[i] > view[1] + 1) continue;
        const short = Math.max(0, least - (edge[i + 1] - edge[i])) / 2;
        x.push(edge[i] - short, edge[i + 1] + short, null); y.push(0, 0, null);
      }
      return { x, y, type: "scatter", mode: "lines", line: { color: colour(name), width: TALL[name], simplify: false }, hoverinfo: "skip", yaxis: axisName(ribbon) };
    });
    const least = (view[1] - view[0]) / 400; // abnormal cycles stay visible from afar
    const x = [], y = [];
    for (const [at, to] of bus.oddSpans()) {
      if (to < view[0] || at > view[1]) continue;
      const mid = (at + to) / 2, half = Math.max((to - at) / 2, least / 2);
      x.push(mid - half, mid + half, null); y.push(-0.85, -0.85, null);
    }
    traces.push({ x, y, type: "scatter", mode: "lines", name: "odd", line: { color: colour("odd"), width: 5, simplify: false }, hoverinfo: "skip", yaxis: axisName(ribbon) });
    return traces;
  }
  const SHAPES = { act: "triangle-down", watch: "diamond", note: "circle-open" };
  function markTrace() {
    const x = [], symbol = [], size = [], ink = [], text = [];
    for (const finding of [...data.findings].reverse()) { // the gravest on top
      for (const at of finding.at.length ? finding.at : [(finding.start + finding.end) / 2]) {
        x.push(at); symbol.push(SHAPES[finding.severity]); size.push((finding.severity === "act" ? 11 : 9) * (finding.at.length > 40 ? 0.6 : 1));
        ink.push(colour(finding.severity)); text.push(finding);
      }
    }
    return { x, y: x.map(() => 1.05), type: "scatter", mode: "markers", marker: { symbol, size, color: ink, line: { width: 1.5, color: ink } }, customdata: text, hoverinfo: "none", yaxis: axisName(ribbon), cliponaxis: false };
  }
  function channelTraces() {
    const how = { some: false, width: 0, finer: 0 };
    labels = [];
    const traces = data.channels.map((channel, n) => {
      const got = points.drawn(channel, view[0], view[1]);
      if (got.width > how.width) Object.assign(how, { width: got.width, finer: got.finer, some: got.some });
      const panel = panels.indexOf(channel.unit), y = drawing.array(channel.unit, got.y);
      if (!hidden.has(channel.role)) labels.push({ n, panel, at: y.filter(Number.isFinite).at(-1), low: drawing.least(y), high: drawing.most(y) });
      return {
        x: got.x, y, type: "scatter", mode: "lines", name: channel.name,
        line: { color: traceColour(n), width: n ? 1.2 : 1.6, dash: !got.width && got.x.length < 2500 ? drawing.dashes[samePanel(n) % 6] : "solid" }, hoverinfo: "none",
        yaxis: axisName(panel), visible: !hidden.has(channel.role), connectgaps: false,
      };
    });
    fineness(how);
    return traces.reverse(); // the first channel matters most and is drawn over the others
  }
  const samePanel = (n) => data.channels.slice(0, n).filter((c) => c.unit === data.channels[n].unit).length;

  function fineness({ width, finer, some }) {
    const interval = Math.min(...data.channels.map((c) => c.interval)), key = !width ? "all" : some ? (finer ? "both" : "some") : finer ? "turns" : "bucket";
    document.getElementById("fineness").textContent = word("chart.drawn_" + key, {
      interval: drawing.duration(interval), width: drawing.duration(width), fine: drawing.duration(finer),
    }) + ".";
    document.getElementById("finest").hidden = key === "all";
  }

  // Bands behind the traces, for what is wide enough to be seen.
  function bands() {
    const least = (view[1] - view[0]) / 300, shapes = [];
    for (let i = 0; i < kind.length && shapes.length < 240; i++) {
      const name = kinds[kind[i]];
      if (name === "freeze" || edge[i + 1] - edge[i] < least || edge[i + 1] < view[0] || edge[i] > view[1]) continue;
      shapes.push({
        type: "rect", layer: "below", xref: "x", yref: "paper", x0: edge[i], x1: edge[i + 1], y0: domains[ribbon][1], y1: 1,
        fillcolor: colour(name), opacity: name === "harvest" ? 0.16 : 0.12, line: { width: 0 },
      });
    }
    for (const visit of data.visits) shapes.push({ type: "line", xref: "x", yref: "paper", x0: visit.at, x1: visit.at, y0: 0, y1: 1, line: { color: colour("ink"), width: 1, dash: "dash" } });
    if (chosen) shapes.push({ type: "rect", layer: "below", xref: "x", yref: "paper", x0: chosen[0], x1: chosen[1], y0: 0, y1: 1, fillcolor: "rgba(0,0,0,0)", line: { color: colour("odd"), width: 1.5, dash: "dot" } });
    return shapes;
  }

  // The name of each trace at its right end, so that it can be told without its colour; names keep clear of each other.
  function names() {
    const narrow = drawing.margins(plot).r < 50; // no room beside the traces: their names lie over them
    const visits = data.visits.map((visit) => ({ xref: "x", x: visit.at, yref: "paper", y: 1, yanchor: "bottom", xanchor: visit.at > view[0] + 0.8 * (view[1] - view[0]) ? "right" : "left", showarrow: false, text: word("chart.visit"), font: { size: 11, color: colour("ink") } }));
    return [...visits, ...panels.flatMap((_, panel) => {
      const here = labels.filter((l) => l.panel === panel && Number.isFinite(l.at));
      const low = Math.min(...here.map((l) => l.low)), high = Math.max(...here.map((l) => l.high));
      const place = (l) => (high > low ? (l.at - low) / (high - low) : 0.5) * 0.9 + 0.05;
      for (const l of here) l.tall = (!narrow && data.channels[l.n].name.length > 14 ? 28 : 14) / heights[panel];
      const apart = (a, b) => (a.tall + b.tall) / 2;
      here.sort((a, b) => a.at - b.at).forEach((l, i) => { l.y = Math.max(place(l), i ? here[i - 1].y + apart(l, here[i - 1]) : 0); });
      for (let i = here.length - 1; i >= 0; i--) here[i].y = Math.min(here[i].y, i === here.length - 1 ? 1 : here[i + 1].y - apart(here[i], here[i + 1]));
      return here.map((l) => ({ xref: "paper", x: 1, ...(narrow ? { xanchor: "right", bgcolor: colour("sheet"), borderpad: 1 } : { xanchor: "left", xshift: 5 }), yref: axisName(panel) + " domain", y: l.y, yanchor: "middle", showarrow: false, align: "left", text: data.channels[l.n].name.replace(/ (?=\S+$)/, (m) => (!narrow && data.channels[l.n].name.length > 14 ? "<br>" : m)), font: { size: 11, color: traceColour(l.n) } }));
    })];
  }

  function figure() {
    const ticks = clock.ticks(view[0], view[1], Math.max(3, plot.clientWidth / 110));
    const axes = { xaxis: drawing.axis({ range: view, fixedrange: false, anchor: axisName(panels.length - 1), tickvals: ticks.values, ticktext: ticks.names, showspikes: true, spikemode: "across", spikethickness: 1, spikedash: "dot", spikecolor: colour("edge"), spikesnap: "cursor" }) };
    panels.forEach((p, i) => {
      const key = "yaxis" + (i ? i + 1 : "");
      axes[key] = p === "ribbon"
        ? drawing.axis({ domain: domains[i], range: [-1.3, 1.4], showgrid: false, tickvals: [] })
        : drawing.axis({ domain: domains[i], title: drawing.title(drawing.sign(p)), nticks: 6 });
    });
    const traces = [...phaseTraces(), markTrace(), ...channelTraces()];
    return { data: traces, layout: drawing.layout({ ...axes, height: total + 56, hovermode: "x", shapes: bands(), annotations: names(), margin: { ...drawing.margins(plot), t: (data.visits.length ? 14 : 0) + 8, b: 44 } }) };
  }

  async function draw() {
    const { data: traces, layout } = figure();
    await drawing.put(plot, traces, layout);
  }
  function look(from, to) {
    const width = Math.min(Math.max(to - from, 20), span), start = Math.min(Math.max(from, 0), span - width);
    view = [start, start + width];
    bus.viewChanged(view);
    return draw();
  }
  function readAt(seconds) {
    const parts = [clock.moment(seconds)];
    const i = Math.max(0, Math.min(firstAfter(edge, seconds + 1e-6) - 1, kind.length - 1));
    if (kind.length) parts.push(word("phase." + kinds[kind[i]]));
    for (const channel of data.channels) {
      if (hidden.has(channel.role)) continue;
      const [low, high] = points.readAt(channel, seconds, (view[1] - view[0]) * 1.2);
      const text = high - low < 1e-9 || Number.isNaN(low) ? drawing.show(channel.unit, low) : drawing.number(drawing.convert(channel.unit, low), 1) + "…" + drawing.show(channel.unit, high);
      parts.push(channel.name + "\u00a0" + text);
    }
    document.getElementById("readout-log").textContent = parts.join(" · ");
  }

  // Which channels are drawn, by ticking them off; and the ribbon in words.
  function legend() {
    const box = document.getElementById("keys-log");
    data.channels.forEach((channel, n) => {
      const label = document.createElement("label"), tick = document.createElement("input"), name = document.createElement("span");
      label.className = "check";
      tick.type = "checkbox"; tick.checked = true;
      name.textContent = channel.name;
      name.style.color = `var(--trace-${n % 6 + 1})`;
      label.append(tick, name);
      tick.addEventListener("change", () => {
        tick.checked ? hidden.delete(channel.role) : hidden.add(channel.role);
        draw();
      });
      box.append(label);
    });
  }

  async function begin() {
    legend();
    await draw();
    plot.querySelector(".waiting")?.remove();
    plot.on("plotly_relayout", (change) => {
      if ("xaxis.range[0]" in change) look(change["xaxis.range[0]"], change["xaxis.range[1]"]);
      else if (change["xaxis.autorange"]) look(0, span);
    });
    plot.on("plotly_hover", (event) => {
      const mark = event.points.find((p) => p.customdata);
      readAt(event.xvals?.[0] ?? event.points[0].x);
      if (mark && Math.abs(mark.x - (event.xvals?.[0] ?? mark.x)) < (view[1] - view[0]) / 100) document.getElementById("readout-log").textContent = clock.moment(mark.x, false) + " · " + mark.customdata.title[inUnits()];
    });
  }
  const move = { whole: () => look(0, span), closer: () => zoom(0.5), wider: () => zoom(2), earlier: () => shift(-0.25), later: () => shift(0.25) };
  function zoom(by) { const mid = (view[0] + view[1]) / 2, half = (view[1] - view[0]) / 2 * by; return look(mid - half, mid + half); }
  function shift(by) { const d = (view[1] - view[0]) * by; return look(view[0] + d, view[1] + d); }
  return { begin, draw, look, move, readAt, view: () => view, choose: (range) => { chosen = range; return Plotly.relayout(plot, { shapes: bands() }); } };
}
