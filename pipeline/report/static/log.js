// The whole log: panels of channels, lanes of phases, marks of findings; as fine as the page holds wherever one looks.

function makeLog(data, drawing, clock, bus) {
  const { colour, word } = drawing;
  const plot = document.getElementById("plot-log");
  const span = data.span, kinds = data.kinds, edge = data.phases.edge, kind = data.phases.kind;
  const hidden = new Set();
  const lanes = kinds.filter((_, k) => kind.includes(k));
  let view = [0, span], chosen = null, labels = [];

  const traceColour = (n) => colour("trace-" + (n % 6 + 1));
  const points = makePoints(data);

  // Panels from top to bottom: marks and lanes, then one panel a unit.
  const sizes = { lanes: 22 + 17 * lanes.length, "°C": 250 };
  const panels = ["lanes", ...data.panels];
  const heights = panels.map((p) => sizes[p] ?? 120);
  const total = heights.reduce((a, b) => a + b + 16, 0);
  const domains = [];
  heights.reduce((top, h, i) => { domains[i] = [1 - (top + h) / (total - 16), 1 - top / (total - 16)]; return top + h + 16; }, 0);
  const axisName = (i) => "y" + (i ? i + 1 : "");

  function phaseTraces() {
    const traces = lanes.map((name) => {
      const k = kinds.indexOf(name), x = [], y = [], row = lanes.length - 1 - lanes.indexOf(name);
      const least = (view[1] - view[0]) / 1800; // what is narrower than half a dot would vanish
      for (let i = 0; i < kind.length; i++) {
        if (kind[i] !== k || edge[i + 1] < view[0] - 1 || edge[i] > view[1] + 1) continue;
        const short = Math.max(0, least - (edge[i + 1] - edge[i])) / 2;
        x.push(edge[i] - short, edge[i + 1] + short, null); y.push(row, row, null);
      }
      return { x, y, type: "scatter", mode: "lines", line: { color: colour(name), width: 11, simplify: false }, hoverinfo: "skip", yaxis: "y" };
    });
    const least = (view[1] - view[0]) / 400; // abnormal cycles stay visible from afar
    const x = [], y = [];
    for (const [at, to, row] of bus.oddSpans()) {
      const lane = lanes.length - 1 - lanes.indexOf(row);
      if (to < view[0] || at > view[1] || lane >= lanes.length) continue;
      const mid = (at + to) / 2, half = Math.max((to - at) / 2, least / 2);
      x.push(mid - half, mid + half, null); y.push(lane, lane, null);
    }
    traces.push({ x, y, type: "scatter", mode: "lines", line: { color: colour("odd"), width: 5, simplify: false }, hoverinfo: "skip", yaxis: "y" });
    return traces;
  }
  const SHAPES = { act: "triangle-down", watch: "diamond", note: "circle-open" };
  function markTrace() {
    const x = [], symbol = [], size = [], ink = [], text = [];
    for (const finding of data.findings) {
      for (const at of finding.at.length ? finding.at : [(finding.start + finding.end) / 2]) {
        x.push(at); symbol.push(SHAPES[finding.severity]); size.push(finding.severity === "act" ? 11 : 9);
        ink.push(colour(finding.severity)); text.push(finding);
      }
    }
    return { x, y: x.map(() => lanes.length), type: "scatter", mode: "markers", marker: { symbol, size, color: ink, line: { width: 1.5, color: ink } }, customdata: text, hoverinfo: "none", yaxis: "y", cliponaxis: false };
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
        type: "rect", layer: "below", xref: "x", yref: "paper", x0: edge[i], x1: edge[i + 1], y0: 0, y1: domains[0][0],
        fillcolor: colour(name), opacity: name === "harvest" ? 0.16 : 0.12, line: { width: 0 },
      });
    }
    if (chosen) shapes.push({ type: "rect", layer: "below", xref: "x", yref: "paper", x0: chosen[0], x1: chosen[1], y0: 0, y1: 1, fillcolor: "rgba(0,0,0,0)", line: { color: colour("odd"), width: 1.5, dash: "dot" } });
    return shapes;
  }

  // The name of each trace at its right end, so that it can be told without its colour; names keep clear of each other.
  function names() {
    if (drawing.margins(plot).r < 50) return [];
    return panels.flatMap((_, panel) => {
      const here = labels.filter((l) => l.panel === panel && Number.isFinite(l.at));
      const low = Math.min(...here.map((l) => l.low)), high = Math.max(...here.map((l) => l.high));
      const place = (l) => (high > low ? (l.at - low) / (high - low) : 0.5) * 0.9 + 0.05;
      for (const l of here) l.tall = (data.channels[l.n].name.length > 14 ? 28 : 14) / heights[panel];
      const apart = (a, b) => (a.tall + b.tall) / 2;
      here.sort((a, b) => a.at - b.at).forEach((l, i) => { l.y = Math.max(place(l), i ? here[i - 1].y + apart(l, here[i - 1]) : 0); });
      for (let i = here.length - 1; i >= 0; i--) here[i].y = Math.min(here[i].y, i === here.length - 1 ? 1 : here[i + 1].y - apart(here[i], here[i + 1]));
      return here.map((l) => ({ xref: "paper", x: 1, xanchor: "left", xshift: 5, yref: axisName(panel) + " domain", y: l.y, yanchor: "middle", showarrow: false, align: "left", text: data.channels[l.n].name.replace(/ (?=\S+$)/, (m) => (data.channels[l.n].name.length > 14 ? "<br>" : m)), font: { size: 11, color: traceColour(l.n) } }));
    });
  }

  function figure() {
    const ticks = clock.ticks(view[0], view[1], Math.max(3, plot.clientWidth / 110));
    const axes = { xaxis: drawing.axis({ range: view, fixedrange: false, anchor: axisName(panels.length - 1), tickvals: ticks.values, ticktext: ticks.names, showspikes: true, spikemode: "across", spikethickness: 1, spikedash: "dot", spikecolor: colour("edge"), spikesnap: "cursor" }) };
    panels.forEach((p, i) => {
      const key = "yaxis" + (i ? i + 1 : "");
      axes[key] = p === "lanes"
        ? drawing.axis({ domain: domains[i], range: [-0.6, lanes.length + 0.6], showgrid: false, tickvals: [...lanes.map((_, k) => lanes.length - 1 - k), lanes.length], ticktext: [...lanes.map((n) => word("phase." + n)), word("chart.findings_lane")] })
        : drawing.axis({ domain: domains[i], title: drawing.title(drawing.sign(p)), nticks: 6 });
    });
    const traces = [...phaseTraces(), markTrace(), ...channelTraces()];
    return { data: traces, layout: drawing.layout({ ...axes, height: total + 56, hovermode: "x", shapes: bands(), annotations: names(), margin: { ...drawing.margins(plot), t: 8, b: 44 } }) };
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

  function legend() {
    const box = document.getElementById("keys-log");
    data.channels.forEach((channel, n) => {
      const button = document.createElement("button");
      button.type = "button";
      button.setAttribute("aria-pressed", "true");
      button.innerHTML = '<svg viewBox="0 0 28 12" aria-hidden="true"><path d="M0 6H28" fill="none" stroke-width="2.5"/></svg><span></span>';
      button.querySelector("span").textContent = channel.name;
      const dash = { solid: "", dash: "7 4", dot: "2 3", dashdot: "7 3 2 3", longdash: "11 4", longdashdot: "11 3 2 3" }[drawing.dashes[samePanel(n) % 6]];
      const path = button.querySelector("path");
      path.style.stroke = `var(--trace-${n % 6 + 1})`;
      if (dash) path.setAttribute("stroke-dasharray", dash);
      button.addEventListener("click", () => {
        hidden.has(channel.role) ? hidden.delete(channel.role) : hidden.add(channel.role);
        button.setAttribute("aria-pressed", String(!hidden.has(channel.role)));
        draw();
      });
      box.append(button);
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
