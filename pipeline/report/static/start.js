// Unpacks the page, draws everything, and joins the charts to each other and to the keyboard.

(async () => {
  const plotting = loadPlotting();
  const data = readPack(await unzip("pack"));
  document.getElementById("pack").remove();
  const drawing = makeDrawing(data), clock = makeClock(data);
  let log, cycles;
  const spanOf = (i) => {
    const c = data.cycles, next = Number.isFinite(c.end[i]) ? c.end[i] : Number.isFinite(c.harvest[i]) ? c.harvest[i] : c.start[i] + 1800;
    return [c.start[i], next];
  };
  const bus = {
    view: () => log.view(),
    look: (from, to) => log.look(from, to),
    viewChanged: (view) => cycles?.redrawTimes(view),
    point: (i) => log.choose(spanOf(i)),
    show: async (i) => {
      const [from, to] = spanOf(i);
      await cycles.choose(i);
      await log.choose([from, to]);
      await log.look(from - 0.35 * (to - from), to + 0.35 * (to - from));
      document.getElementById("figure-log").scrollIntoView({ block: "start" });
      document.getElementById("plot-log").focus({ preventScroll: true });
    },
    oddSpans: function* () {
      const c = data.cycles;
      for (let i = 0; i < (c?.number.length ?? 0); i++) {
        for (const code of c.flags[c.number[i]] ?? []) {
          if (data.about.harvest.includes(code) && Number.isFinite(c.harvest[i])) yield [c.harvest[i], spanOf(i)[1], "harvest"];
          else yield [c.start[i], Number.isFinite(c.harvest[i]) ? c.harvest[i] : spanOf(i)[1], "freeze"];
        }
      }
    },
  };
  const table = makeTable(data, drawing, clock, bus);
  await plotting;
  log = makeLog(data, drawing, clock, bus);
  cycles = makeCycles(data, drawing, clock, bus);
  await log.begin();
  page.dataset.firstChart = String(Math.round(performance.now()));
  await cycles.begin();
  table.draw();
  page.dataset.drawn = String(Math.round(performance.now()));

  // One hairline through all charts over time: a moment can be followed down the page.
  const overTime = ["log", "lengths"].map((id) => document.getElementById("plot-" + id)).filter((plot) => plot?.data);
  const hairs = overTime.map((plot) => {
    const hair = document.createElement("div");
    hair.className = "hair";
    hair.hidden = true;
    plot.append(hair);
    return hair;
  });
  for (const plot of overTime) {
    plot.addEventListener("pointermove", (event) => {
      const { l, r } = drawing.margins(plot), width = plot.clientWidth - l - r, x = event.clientX - plot.getBoundingClientRect().left;
      const inside = x >= l && x <= l + width, [from, to] = log.view();
      hairs.forEach((hair, i) => { hair.hidden = !inside || overTime[i] === plot; hair.style.left = x + "px"; });
      if (inside && plot.id !== "plot-log") log.readAt(from + (x - l) / width * (to - from));
    });
    plot.addEventListener("pointerleave", () => hairs.forEach((hair) => { hair.hidden = true; }));
  }

  // Two fingers zoom and move the time axis; one finger is left to the page.
  function pinch(plot) {
    const { l, r } = drawing.margins(plot);
    const share = (touch) => (touch.clientX - plot.getBoundingClientRect().left - l) / (plot.clientWidth - l - r);
    let held = null;
    const hold = (event) => {
      const [from, to] = log.view(), at = [...event.touches].map((touch) => from + share(touch) * (to - from));
      held = event.touches.length === 2 ? at : null;
    };
    plot.addEventListener("touchstart", hold, { passive: true });
    plot.addEventListener("touchend", hold, { passive: true });
    plot.addEventListener("touchmove", (event) => {
      if (!held || event.touches.length !== 2) return;
      if (event.cancelable) event.preventDefault();
      const [p, q] = [...event.touches].map(share);
      if (Math.abs(p - q) < 0.02) return;
      const width = (held[0] - held[1]) / (p - q), from = held[0] - p * width;
      if (width > 0) log.look(from, from + width);
    }, { passive: false });
  }
  overTime.forEach(pinch);

  function showFinding(n) {
    const finding = data.findings[n];
    const at = finding.at.length ? data.cycles.start.findIndex((s) => Math.abs(s - finding.at[0]) < 1) : -1;
    if (at >= 0) return bus.show(at);
    const room = Math.max((finding.end - finding.start) * 0.1, 600);
    log.choose([finding.start, finding.end]);
    document.getElementById("figure-log").scrollIntoView({ block: "start" });
    return log.look(finding.start - room, finding.end + room);
  }
  document.addEventListener("click", (event) => {
    const act = event.target.closest("button[data-act]")?.dataset;
    if (!act) return;
    if (act.act in log.move) log.move[act.act]();
    if (act.act === "show-finding") showFinding(Number(act.n));
  });
  document.querySelector("[data-act=goto]")?.addEventListener("change", (event) => {
    if (event.target.value !== "") showFinding(Number(event.target.value));
  });
  const KEYS = { ArrowLeft: "earlier", ArrowRight: "later", "+": "closer", "=": "closer", "-": "wider", "−": "wider", 0: "whole", Home: "whole" };
  for (const id of ["log", "lengths"]) {
    document.getElementById("plot-" + id)?.addEventListener("keydown", (event) => {
      if (!(event.key in KEYS) || event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.cancelable) event.preventDefault();
      log.move[KEYS[event.key]]();
      const [from, to] = log.view();
      log.readAt((from + to) / 2);
    });
  }
  const redraw = () => { log.draw(); cycles.draw(); table.draw(); };
  let width = innerWidth, waiting;
  addEventListener("resize", () => {
    if (innerWidth === width) return; // a phone's address bar comes and goes
    width = innerWidth;
    clearTimeout(waiting);
    waiting = setTimeout(redraw, 150);
  });
  document.addEventListener("units", redraw);
  document.addEventListener("tone", redraw);

  // On paper: always the light colours (the style sheet sees to that), at the width of the page.
  let theme;
  addEventListener("beforeprint", () => {
    theme = page.dataset.theme;
    for (const each of document.querySelectorAll("details.more")) each.open = true;
    page.dataset.theme = "light";
    page.classList.add("printing");
    redraw();
  });
  addEventListener("afterprint", () => {
    if (theme === undefined) delete page.dataset.theme; else page.dataset.theme = theme;
    page.classList.remove("printing");
    redraw();
  });
})();
