// The values along a line: one curve for each pass, with the band of the first.

import { drawn, element, length, plain, ticks, unitFor } from "./words.js";

const HEIGHT = 250, LEFT = 62, RIGHT = 10, TOP = 8, BOTTOM = 40;

export function drawProfile(into, profile, straight) {
  const WIDTH = Math.max(into.clientWidth, 240); // so that letters are as large as elsewhere
  const heights = profile.unit === "m";
  const end = profile.along.length - 1;
  const take = (values) => {
    if (!values || !straight) return values;
    const [a, b] = [profile.values[0] ?? 0, profile.values[end] ?? 0], whole = profile.along[end];
    return values.map((v, k) => (v === null ? null : v - a - (b - a) * profile.along[k] / whole));
  };
  const values = take(profile.values), other = take(profile.other), U = profile.U;
  const all = [];
  values.forEach((v, k) => {
    if (v !== null) all.push(v - (U?.[k] ?? 0), v + (U?.[k] ?? 0));
  });
  (other ?? []).forEach((v) => { if (v !== null) all.push(v); });
  if (!all.length) {
    into.replaceChildren(element("p", "There is no data along this line.", "empty"));
    return;
  }
  let low = Math.min(...all), high = Math.max(...all);
  const margin = 0.05 * (high - low || Math.abs(high) || 1);
  low -= margin; high += margin;
  const [size, unit] = heights ? unitFor(2 * Math.max(Math.abs(low), Math.abs(high))) : [1, profile.unit];
  const most = Math.max(...profile.along);
  const [xSize, xUnit] = unitFor(most);
  const x = (v) => LEFT + v / most * (WIDTH - LEFT - RIGHT);
  const y = (v) => TOP + (high - v) / (high - low) * (HEIGHT - TOP - BOTTOM);
  const svg = drawn("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img" });
  const first = values.find((v) => v !== null), last = values.findLast((v) => v !== null);
  svg.setAttribute("aria-label", `${profile.channel} along ${plain(most / xSize)} ${xUnit}: begins at `
    + `${plain(first / size)}, ends at ${plain(last / size)}, lies between ${plain(low / size)} and `
    + `${plain(high / size)} ${unit}`);
  for (const t of ticks(low / size, high / size, 4)) {
    svg.append(drawn("line", { class: "tickline", x1: LEFT, x2: WIDTH - RIGHT, y1: y(t * size), y2: y(t * size) }));
    svg.append(drawn("text", { x: LEFT - 6, y: y(t * size) + 4, "text-anchor": "end" }, plain(t)));
  }
  for (const t of ticks(0, most / xSize, 5)) {
    svg.append(drawn("line", { class: "axis", x1: x(t * xSize), x2: x(t * xSize), y1: HEIGHT - BOTTOM, y2: HEIGHT - BOTTOM + 4 }));
    svg.append(drawn("text", { x: x(t * xSize), y: HEIGHT - BOTTOM + 17, "text-anchor": "middle" }, plain(t)));
  }
  if (U) for (const d of bands(profile.along, values, U, x, y)) svg.append(drawn("path", { class: "band", d }));
  svg.append(drawn("path", { class: "axis", d: `M${LEFT} ${TOP}V${HEIGHT - BOTTOM}H${WIDTH - RIGHT}` }));
  if (other) svg.append(drawn("path", { class: "curve other", d: curve(profile.along, other, x, y) }));
  svg.append(drawn("path", { class: "curve", d: curve(profile.along, values, x, y) }));
  const where = `${profile.true ? "true" : "commanded"} distance from A (${xUnit})`;
  svg.append(drawn("text", { x: (LEFT + WIDTH) / 2, y: HEIGHT - 5, "text-anchor": "middle" }, where));
  const label = `${profile.channel}${unit ? ` (${unit})` : ""}`;
  svg.append(drawn("text", { x: 13, y: (HEIGHT - BOTTOM) / 2, "text-anchor": "middle", transform: `rotate(-90 13 ${(HEIGHT - BOTTOM) / 2})` }, label));
  const legend = element("p", "", "legend");
  legend.append(entry("curve", profile.passes[0]));
  if (other) legend.append(entry("curve other", profile.passes[1]));
  if (U) {
    // a band that is thinner than the curve can't be seen, so its size is said as well
    const widest = Math.max(...U.filter((u) => u !== null));
    const most = Number.isFinite(widest) ? `, at most ${length(widest, 2)}` : ", unknown here";
    legend.append(entry("band", `± U of the ${profile.passes[0]} (k = ${profile.k}${most})`));
  }
  into.replaceChildren(svg, legend);
}

function entry(className, name) {
  const made = element("span");
  const svg = drawn("svg", { viewBox: "0 0 32 14", "aria-hidden": "true" });
  svg.append(className === "band" ? drawn("rect", { class: "band", width: 32, height: 14 })
    : drawn("path", { class: className, d: "M0 7H32" }));
  made.append(svg, document.createTextNode(` ${name}`));
  return made;
}

function curve(along, values, x, y) {
  let path = "", pen = "M";
  values.forEach((v, k) => {
    if (v === null) { pen = "M"; return; }
    path += `${pen}${x(along[k]).toFixed(1)} ${y(v).toFixed(1)}`;
    pen = "L";
  });
  return path;
}

/** A band breaks where there is no data. */
function bands(along, values, U, x, y) {
  const found = [];
  let up = [], down = [];
  const close = () => {
    if (up.length > 1) found.push(`M${up.join("L")}L${down.reverse().join("L")}Z`);
    up = []; down = [];
  };
  values.forEach((v, k) => {
    if (v === null || U[k] === null) { close(); return; }
    up.push(`${x(along[k]).toFixed(1)} ${y(v + U[k]).toFixed(1)}`);
    down.push(`${x(along[k]).toFixed(1)} ${y(v - U[k]).toFixed(1)}`);
  });
  close();
  return found;
}
