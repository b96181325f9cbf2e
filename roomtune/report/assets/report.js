"use strict";
(() => {
const data = JSON.parse(document.getElementById("data").textContent);
const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const DASHES = [[], [7, 3], [2, 2], [9, 3, 2, 3]];
const FIXED = {before: [[5, 3], 1.5], after: [[], 2.4], target: [[1.5, 3], 1.6], measured: [[], 1.6], sum: [[], 2.4], limit: [[3, 3], 1.4]};
const style = (line) => {
  if (line.role in FIXED) return {colour: "--" + line.role, dash: FIXED[line.role][0], width: FIXED[line.role][1]};
  return {colour: "--c" + line.colour % 8, dash: DASHES[Math.floor(line.colour / 8) % 4], width: 1.4};
};
const frequencyText = (v) => v >= 1000 ? +(v / 1000).toPrecision(3) + "k" : String(+v.toPrecision(3));
const readText = (v, log) => log ? (v >= 1000 ? (v / 1000).toPrecision(3) + " kHz" : v.toPrecision(3) + " Hz") : v.toFixed(2) + " ms";

function frequencySplits(low, high) {
  for (const digits of [[2, 5, 10], [1, 2, 3, 4, 5, 6, 7, 8, 9], null]) {
    const found = [];
    if (digits === null) {
      const step = 10 ** Math.floor(Math.log10((high - low) / 3));
      for (let v = Math.ceil(low / step) * step; v <= high; v += step) found.push(+v.toPrecision(6));
      return found;
    }
    for (let decade = 1; decade <= 1e5; decade *= 10)
      for (const d of digits) if (d * decade >= low * 0.999 && d * decade <= high * 1.001) found.push(d * decade);
    if (found.length >= 4) return found;
  }
}

function gridSplits(low, high) {
  const found = [];
  for (let decade = 1; decade <= 1e5; decade *= 10)
    for (let d = 1; d < 10; d++) if (d * decade > low && d * decade < high) found.push(d * decade);
  return found;
}

function element(tag, attributes, text) {
  const made = document.createElement(tag);
  for (const [k, v] of Object.entries(attributes || {})) made.setAttribute(k, v);
  if (text !== undefined) made.textContent = text;
  return made;
}

function sample(look) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  for (const [k, v] of [["width", 22], ["height", 8], ["aria-hidden", "true"]]) svg.setAttribute(k, v);
  const stroke = document.createElementNS("http://www.w3.org/2000/svg", "line");
  for (const [k, v] of [["x1", 0], ["x2", 22], ["y1", 4], ["y2", 4], ["stroke", `var(${look.colour})`],
    ["stroke-width", look.width + 0.4], ["stroke-dasharray", look.dash.join(" ")]]) stroke.setAttribute(k, v);
  svg.append(stroke);
  return svg;
}

const cell = (text) => /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;

function csvText(plot) {
  const rows = [[plot.xLabel, ...plot.lines.map((l) => `${plot.yLabel}: ${l.name}`)].map(cell)];
  plot.x.forEach((x, i) => rows.push([x, ...plot.lines.map((l) => l.y[i] ?? "")]));
  return rows.map((row) => row.join(",")).join("\n") + "\n";
}

function saveAs(name, type, text) {
  const link = element("a", {download: name, href: URL.createObjectURL(new Blob([text], {type}))});
  link.click();
  URL.revokeObjectURL(link.href);
}

document.querySelectorAll("button[data-save]").forEach((button) => button.addEventListener("click", () =>
  saveAs(button.dataset.save + ".json", "application/json", JSON.stringify(data[button.dataset.save], null, 1))));

const drawn = [];

function draw(figure) {
  const plot = data.plots[figure.dataset.plot];
  const holder = element("div", {class: "chart", role: "img",
    "aria-label": plot.title + ". " + plot.caption + " Curves: " + plot.lines.map((l) => l.name).join(", ") + "."});
  const tools = element("div", {class: "tools"});
  const readout = element("span", {"aria-hidden": "true"}, " ");
  const reset = element("button", {type: "button", hidden: ""}, "show all again");
  const save = element("button", {type: "button", "aria-label": "Save the data of " + plot.title}, "save data");
  save.addEventListener("click", () => saveAs(figure.dataset.plot + ".csv", "text/csv", csvText(plot)));
  tools.append(readout, reset, save);
  const legend = element("div", {class: "legend", role: "group", "aria-label": "Curves of " + plot.title});
  figure.append(holder, tools, legend);

  const whole = (u) => { zoomed = false; u.setScale("x", {min: xLimits[0], max: xLimits[1]}); };
  const values = [];
  let zoomed = false;
  const font = "12px system-ui, sans-serif";
  const axis = {stroke: () => css("--soft"), grid: {stroke: () => css("--grid"), width: 1}, ticks: {stroke: () => css("--grid"), width: 1, size: 4}, font, labelFont: font, labelSize: 18};
  const xLimits = plot.xRange;
  const options = {
    width: Math.max(240, holder.clientWidth), height: 280, legend: {show: false}, padding: [8, 10, 0, 0],
    cursor: {y: false, drag: {x: true, y: false, setScale: false}, bind: {dblclick: (u, target, handler) => () => whole(u)}, points: {size: 6}, dataIdx: undefined},
    scales: {
      x: {time: false, distr: plot.log ? 3 : 1, log: 10, range: (u, lo, hi) => zoomed ? [lo, hi] : xLimits},
      y: {range: (u, lo, hi) => plot.range || (lo === null ? [-1, 1] : [Math.floor(lo / 5) * 5, Math.ceil(hi / 5) * 5 || 5])},
    },
    axes: [
      Object.assign({}, axis, {label: plot.xLabel, size: 34, space: 28}, plot.log ? {
        splits: (u) => frequencySplits(u.scales.x.min, u.scales.x.max),
        filter: (u, splits) => splits, values: (u, splits) => splits.map(frequencyText)} : {}),
      Object.assign({}, axis, {label: plot.yLabel, size: 44, space: 30}),
    ],
    series: [{}],
    hooks: {
      drawAxes: [(u) => {
        if (!plot.log) return;
        const {ctx, bbox} = u;
        ctx.save();
        ctx.strokeStyle = css("--grid");
        ctx.lineWidth = 0.5 * devicePixelRatio;
        ctx.beginPath();
        for (const f of gridSplits(u.scales.x.min, u.scales.x.max)) {
          const at = Math.round(u.valToPos(f, "x", true));
          ctx.moveTo(at, bbox.top);
          ctx.lineTo(at, bbox.top + bbox.height);
        }
        ctx.stroke();
        ctx.restore();
      }],
      setCursor: [(u) => {
        const at = u.cursor.idx;
        const off = at === null || at === undefined || u.cursor.left < 0;
        readout.textContent = off ? " " : readText(u.data[0][at], plot.log);
        values.forEach((cell, i) => {
          const v = off ? null : u.data[i + 1][at];
          cell.textContent = v === null || v === undefined ? "" : v.toFixed(plot.log ? 1 : 2);
        });
      }],
      setSelect: [(u) => {
        if (u.select.width < 4) return;
        zoomed = true;
        u.setScale("x", {min: u.posToVal(u.select.left, "x"), max: u.posToVal(u.select.left + u.select.width, "x")});
        u.setSelect({left: 0, width: 0, top: 0, height: 0}, false);
      }],
      setScale: [(u, key) => {
        if (key !== "x") return;
        reset.hidden = !zoomed;
      }],
    },
  };
  plot.lines.forEach((line) => {
    const look = style(line);
    options.series.push({label: "", show: line.shown, stroke: () => css(look.colour), width: look.width, dash: look.dash, points: {show: false}, spanGaps: false});
  });
  const chart = new uPlot(options, [plot.x].concat(plot.lines.map((l) => l.y)), holder);
  reset.addEventListener("click", () => whole(chart));

  const names = new Map();
  plot.lines.forEach((line, i) => {
    if (names.has(line.name)) { names.get(line.name).push(i + 1); values.push(element("span")); return; }
    const members = [i + 1];
    names.set(line.name, members);
    const button = element("button", {type: "button", "aria-pressed": String(line.shown)});
    const value = element("span", {class: "v", "aria-hidden": "true"}, "");
    values.push(value);
    button.append(sample(style(line)), element("span", {}, line.name), value);
    button.addEventListener("click", () => {
      const show = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(show));
      members.forEach((m) => chart.setSeries(m, {show}));
    });
    legend.append(button);
  });
  drawn.push({chart, holder});
}

const waiting = new Set(document.querySelectorAll("figure[data-plot]"));
const begin = (figure) => { if (waiting.delete(figure)) draw(figure); };
const next = () => {
  const [figure] = waiting;
  if (!figure) return;
  begin(figure);
  setTimeout(next, 0);
};
next();

const resize = () => drawn.forEach(({chart, holder}) => {
  const width = Math.max(240, holder.clientWidth);
  if (Math.abs(width - chart.width) > 1) chart.setSize({width, height: 280});
});
let pending = 0;
window.addEventListener("resize", () => { cancelAnimationFrame(pending); pending = requestAnimationFrame(resize); });
const redraw = () => drawn.forEach(({chart}) => chart.redraw(false, true));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
window.addEventListener("beforeprint", () => {
  [...waiting].forEach(begin);
  document.querySelectorAll("details").forEach((d) => { d.open = true; });
  resize();
  redraw();
});
window.addEventListener("afterprint", () => { resize(); redraw(); });
})();
