// What all charts share: colours from the style sheet, values in the reader's units, one look.

const TO_US = {
  "°C": [(v) => 1.8 * v + 32, "°F"], kPa: [(v) => v / 6.894757, "psi"], kg: [(v) => v / 0.45359237, "lb"],
};

function makeDrawing(data) {
  const touched = matchMedia("(pointer: coarse)").matches; // there a swipe scrolls the page, and two fingers zoom: see start.js
  const decimal = data.words["number.decimal"];
  const colour = (name) => getComputedStyle(page).getPropertyValue("--" + name).trim();
  const convert = (unit, v) => (inUnits() === "us" && TO_US[unit] ? TO_US[unit][0](v) : v);
  const sign = (unit) => (inUnits() === "us" && TO_US[unit] ? TO_US[unit][1] : unit);
  const array = (unit, values) => (inUnits() === "us" && TO_US[unit] ? values.map(TO_US[unit][0]) : values);
  const number = (v, decimals) => v.toFixed(decimals).replace("-", "−").replace(".", decimal);
  const places = { "°C": 1, A: 2, W: 0, kPa: 0, V: 1, kWh: 2, kg: 1, min: 1 };
  const show = (unit, v) => (Number.isFinite(v) ? number(convert(unit, v), places[unit] ?? 2) + "\u00a0" + sign(unit) : "–");
  const word = (key, values = {}) => (data.words[key] ?? key).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
  const dashes = ["solid", "dash", "dot", "dashdot", "longdash", "longdashdot"];
  const duration = (s) => {
    const [unit, size] = s >= 3600 ? ["h", 3600] : s > 120 || s === 60 ? ["min", 60] : ["s", 1], n = s / size;
    return word("duration." + unit, { n: number(n, Math.abs(n - Math.round(n)) < 0.05 ? 0 : 1) });
  };

  const axis = (more) => ({
    gridcolor: colour("line"), linecolor: colour("edge"), tickcolor: colour("edge"),
    tickfont: { color: colour("soft"), size: 12 }, fixedrange: true, automargin: false, zeroline: false, ...more,
  });
  const layout = (more) => ({
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", showlegend: false, dragmode: touched ? false : "zoom",
    font: { color: colour("ink"), family: getComputedStyle(document.body).fontFamily, size: 12 },
    margin: { l: 52, r: 12, t: 10, b: 40 }, separators: decimal + "\u202f", ...more,
  });
  // One place through which every chart is drawn: the box gets the height that the figure asks for.
  function put(plot, traces, figure) {
    plot.style.height = figure.height + "px";
    return Plotly.react(plot, traces, { ...figure, width: plot.clientWidth || undefined, autosize: false }, config);
  }
  const config = { displayModeBar: false, scrollZoom: false, doubleClick: false };
  // Charts over time keep to the same left and right edge, so that a moment stands in one line down the page.
  const margins = (plot) => ({ l: plot.clientWidth > 640 ? 92 : 58, r: plot.clientWidth > 640 ? 104 : 14 });
  const least = (values) => values.reduce((a, b) => (b < a ? b : a), Infinity), most = (values) => values.reduce((a, b) => (b > a ? b : a), -Infinity);
  const title = (text) => ({ text, font: { size: 12, color: colour("soft") }, standoff: 4 });
  return { colour, convert, sign, array, number, show, word, dashes, duration, axis, layout, put, title, margins, least, most };
}
