// Numbers and elements, as people read them. Text from files is only ever set as textContent.

const PREFIXES = [[1e-3, "mm"], [1e-6, "µm"], [1e-9, "nm"], [1e-12, "pm"]];

/** Size and name of the unit in which lengths up to this one are easily read. */
export function unitFor(largest) {
  return PREFIXES.find(([size]) => largest >= 2 * size) ?? PREFIXES[3];
}

export function length(metres, digits = 4) {
  const [size, name] = PREFIXES.find(([one]) => Math.abs(metres) >= one) ?? PREFIXES[3];
  return `${plain(metres / size, digits)} ${name}`;
}

export function plain(value, digits = 4) {
  if (!Number.isFinite(value)) return "unknown";
  return String(Number(value.toPrecision(digits))).replace("-", "−");
}

/** Round places for ticks between two numbers. */
export function ticks(low, high, about) {
  const span = high - low;
  if (!(span > 0)) return [low];
  const rough = span / about;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * 0.999);
  const found = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9 * span; n++) found.push(n * step);
  return found.map((v) => Number(v.toPrecision(12)));
}

/** Text with the minus sign of print before numbers, as on the axes. */
export function printed(text) {
  return text.replace(/(^|[\s(±])-(?=\d)/g, "$1−");
}

export function element(name, text = "", className = "") {
  const made = document.createElement(name);
  if (text) made.textContent = text;
  if (className) made.className = className;
  return made;
}

export function drawn(name, attributes, text = "") {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}

export function list(into, items) {
  into.replaceChildren(...items.map((item) => element("li", item)));
}
