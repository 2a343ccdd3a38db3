// What the page does: it asks the server, shows what comes back, and keeps the two points.

import { View } from "./picture.js";
import { drawProfile } from "./profile.js";
import { drawn, element, length, list } from "./words.js";

const get = (id) => document.getElementById(id);
const view = new View(get("canvas"));
const state = { scans: [], number: 0, points: [], told: null, findings: null, asked: 0, shown: 0 };

async function ask(path, body) {
  const options = body === undefined ? {} : {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
  };
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Error("The page has lost its program: is calib view still running?");
  }
  if (answer.status === 403) throw new Error("This page is no longer allowed in: open the address that calib view printed.");
  const said = await answer.json().catch(() => ({ error: "The answer can't be read: this is a defect of calib." }));
  if (!answer.ok) throw new Error(said.error ?? "The question was refused.");
  return said;
}

function trouble(error) {
  get("trouble").hidden = !error;
  get("trouble").textContent = error ? error.message : "";
  document.documentElement.dataset.busy = "no";
}

const scan = () => state.scans[state.number];
const at = (what) => `/api/scan/${state.number}/${what}`;

function options(select, entries, chosen) {
  select.replaceChildren(...entries.map(([value, text]) => {
    const one = element("option", text);
    one.value = value;
    return one;
  }));
  if (entries.some(([value]) => value === chosen)) select.value = chosen;
}

function query(more = {}) {
  const said = { pass: get("pass").value, channel: get("channel").value, level_by: get("level").value, ...more };
  return new URLSearchParams(said);
}

// --- a scan ------------------------------------------------------------------------------------------

async function open(number) {
  state.number = number;
  state.points = [];
  const one = scan();
  get("name").textContent = one.name;
  document.title = `${one.name} – calib view`;
  const [passes, slow, fast] = one.shape;
  const about = [one.title, `${fast} × ${slow} points, ${one.size}`, passes > 1 ? "two passes" : "one pass"];
  if (one.scanner) about.push(`scanner ${one.scanner}`);
  about.push(one.model === null ? "no model: commanded lengths, uncertainty unknown" : `corrected by the model of ${one.model}`);
  if (one.standard) about.push(`standard ${one.standard}`);
  get("about").textContent = about.filter(Boolean).join(" · ");
  const kinds = one.model === null ? [["recorded", "as recorded"]]
    : [["wipe", "before and after"], ["recorded", "as recorded"], ["corrected", "corrected"]];
  if (passes > 1) kinds.push(["difference", "trace less retrace"]);
  if (one.model !== null) kinds.push(["uncertainty", "uncertainty of position"]);
  for (let k = 0; k < one.directions; k++) {
    const which = one.directions > 1 ? `, direction ${k + 1}` : "";
    kinds.push([`phase ${k}`, `phase of the pattern${which}`]);
    if (one.model !== null) kinds.push([`residual ${k}`, `residual to the model${which}`]);
  }
  options(get("kind"), kinds, get("kind").value);
  options(get("pass"), one.passes.map((name) => [name, name]), get("pass").value);
  const channels = one.channels.map((c) => [c.name, c.name]);
  options(get("channel"), channels, one.channel);
  get("channel-row").hidden = channels.length < 2;
  get("findings").replaceChildren(element("p", "Looking…", "empty"));
  state.findings = null;
  tellPoints();
  await show();
  const found = await ask(at("findings")).catch((error) => { trouble(error); return null; });
  if (found && state.number === number) { state.findings = found; listFindings(); overlay(); }
}

async function show() {
  const turn = ++state.shown;
  const [kind, direction] = get("kind").value.split(" ");
  document.documentElement.dataset.busy = "yes";
  try {
    if (direction !== undefined && !await mapsAreMade(turn)) return;
    const wanted = kind === "wipe" ? ["recorded", "corrected"] : [kind];
    const pictures = await Promise.all(wanted.map((one) => ask(`${at("picture")}?${query({ kind: one, direction: direction ?? 0 })}`)));
    if (turn !== state.shown) return;
    await view.set(pictures);
    get("wipe-row").hidden = kind !== "wipe";
    get("canvas").setAttribute("aria-label", view.words);
    list(get("notes"), [...new Set([...pictures.flatMap((one) => one.notes), ...scan().notes])]);
    trouble(null);
    overlay();
  } catch (error) {
    if (turn === state.shown) trouble(error);
  }
}

async function mapsAreMade(turn) {
  let job = await ask(at("maps"), {});
  while (job.state === "running" && turn === state.shown) {
    get("job").hidden = false;
    get("job-said").textContent = job.said;
    get("job-part").value = job.part;
    await new Promise((go) => setTimeout(go, 250));
    job = await ask(at("maps"));
  }
  get("job").hidden = true;
  if (job.state === "failed") throw new Error(job.said);
  return turn === state.shown;
}

// --- points ------------------------------------------------------------------------------------------

/** Where a point is seen: each side of the wipe has coordinates of its own. */
function seen(point) {
  const onTrue = point.true && view.seenAt(point.true.fast).frame === "true";
  return onTrue ? [point.true.fast, point.true.slow] : [point.fast, point.slow];
}

async function tellPoints() {
  const turn = ++state.asked;
  overlay();
  for (const button of document.querySelectorAll("[data-needs]")) {
    button.disabled = state.points.length < Number(button.dataset.needs);
  }
  if (!state.points.length) { state.told = null; tell(null); return; }
  document.documentElement.dataset.busy = "yes";
  try {
    const told = await ask(at("points"), {
      pass: get("pass").value, channel: get("channel").value,
      points: state.points.map((p) => ({ fast: p.fast, slow: p.slow, frame: p.fresh ? p.frame : "commanded" })),
    });
    if (turn !== state.asked) return;
    state.points = told.points.map((p) => ({ fast: p.fast, slow: p.slow, true: p.true, values: p.values }));
    state.told = told;
    tell(told);
    trouble(null);
    overlay();
  } catch (error) {
    if (turn !== state.asked) return;
    tell(null);
    trouble(error);
  }
}

function row(name, value, more = "") {
  const made = element("div", "", "quantity");
  made.append(element("dt", name), element("dd", value));
  if (more) made.append(element("span", more, "more"));
  return made;
}

function tell(told) {
  const into = get("quantities");
  get("profile-notes").hidden = get("straight-row").hidden = !told?.profile;
  get("quantity-notes").hidden = true;
  if (!told) {
    into.replaceChildren(element("p", "Set two points in the picture to get their distance and height difference, each with its uncertainty.", "empty"));
    get("profile").replaceChildren(element("p", "The values along the line from A to B will stand here.", "empty"));
    return;
  }
  const rows = element("dl");
  for (const one of told.quantities ?? []) {
    rows.append(row(one.name, one.text, `level of confidence ${100 * one.level} %${one.passes ? ` · ${one.passes}` : ""}`));
  }
  if (told.unknown) {
    const true_ = told.profile?.true;
    rows.append(row(`${true_ ? "true" : "commanded"} horizontal distance`, `${told.commanded} ± unknown`, told.unknown));
  }
  for (const point of told.points) {
    const where = `${length(point.fast)}, ${length(point.slow)} as commanded`;
    for (const value of point.values) rows.append(row(`${point.name}, ${value.name}`, value.text, where));
  }
  into.replaceChildren(rows);
  const notes = [...new Set((told.quantities ?? []).flatMap((one) => one.notes))];
  get("quantity-notes").hidden = !notes.length;
  list(get("quantity-notes").querySelector("ul"), notes);
  if (told.profile) {
    drawProfile(get("profile"), told.profile, get("straight").checked);
    list(get("profile-notes").querySelector("ul"), told.profile.notes);
  } else {
    get("profile").replaceChildren(element("p", "Set a second point to see the values along the line.", "empty"));
  }
}

function fresh(fast, slow) {
  return { fast, slow, frame: view.seenAt(fast).frame, fresh: true };
}

function inside(fast, slow) {
  const [e0, e1, e2, e3] = view.seenAt(fast).edges;
  // the outermost half pixel belongs to no pair of points
  const [hx, hy] = [0.002 * (e1 - e0), 0.002 * (e3 - e2)];
  return [Math.min(Math.max(fast, e0 + hx), e1 - hx), Math.min(Math.max(slow, e2 + hy), e3 - hy)];
}

function placeOf(event) {
  const box = get("picture").getBoundingClientRect();
  return view.toPlace(event.clientX - box.left, event.clientY - box.top);
}

let drag = null;
get("canvas").addEventListener("pointerdown", (event) => {
  if (!view.images.length || event.button !== 0) return;
  const p = view.plot, box = get("picture").getBoundingClientRect();
  const [x, y] = [event.clientX - box.left, event.clientY - box.top];
  if (x < p.x || x > p.x + p.w || y < p.y || y > p.y + p.h) return;
  drag = { from: inside(...placeOf(event)), x: event.clientX, y: event.clientY, moved: false };
  if (event.pointerType !== "touch") get("canvas").setPointerCapture(event.pointerId);
});
get("canvas").addEventListener("pointermove", (event) => {
  if (!drag) return;
  drag.moved ||= Math.hypot(event.clientX - drag.x, event.clientY - drag.y) > 6;
  if (drag.moved) {
    state.points = [fresh(...drag.from), fresh(...inside(...placeOf(event)))];
    overlay();
  }
});
get("canvas").addEventListener("pointerup", () => {
  if (!drag) return;
  if (!drag.moved) {
    if (state.points.length > 1) state.points = [];
    state.points.push(fresh(...drag.from));
  }
  drag = null;
  tellPoints();
});
get("canvas").addEventListener("pointercancel", () => { drag = null; });

for (const [k, letter] of ["A", "B"].entries()) {
  const button = get(`point-${letter}`);
  button.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowDown: [0, -1], ArrowUp: [0, 1] }[event.key];
    if (!way) return;
    event.preventDefault();
    const step = event.shiftKey ? 10 : 1, [px, py] = scan().pixel, [fast, slow] = [scan().fast, scan().slow];
    const point = state.points[k];
    if (point.fresh) return; // not yet told where it is
    const clamp = (v, [low, high]) => Math.min(Math.max(v, low), high);
    state.points[k] = {
      fast: clamp(point.fast + way[0] * step * px, fast), slow: clamp(point.slow + way[1] * step * py, slow), frame: "commanded",
    };
    tellSoon();
  });
  button.addEventListener("pointerdown", (event) => { button.setPointerCapture(event.pointerId); button.dataset.held = "yes"; });
  button.addEventListener("pointermove", (event) => {
    if (button.dataset.held !== "yes") return;
    state.points[k] = fresh(...inside(...placeOf(event)));
    overlay();
  });
  button.addEventListener("pointerup", () => {
    if (button.dataset.held === "yes" && state.points[k]?.fresh) tellPoints();
    button.dataset.held = "no";
  });
}

let waiting = 0;
function tellSoon() {
  overlay();
  clearTimeout(waiting);
  document.documentElement.dataset.busy = "yes";
  waiting = setTimeout(tellPoints, 120);
}

// --- over the picture --------------------------------------------------------------------------------

function overlay() {
  if (!view.images.length) return;
  const over = get("over");
  over.replaceChildren();
  over.setAttribute("viewBox", `0 0 ${view.size.width} ${view.size.height}`);
  over.setAttribute("preserveAspectRatio", "none");
  if (get("marks").checked) marks(over);
  const places = state.points.map((p) => view.toScreen(...seen(p)));
  if (places.length === 2) {
    const [[x1, y1], [x2, y2]] = places;
    over.append(drawn("line", { class: "halo", x1, y1, x2, y2 }), drawn("line", { class: "thread", x1, y1, x2, y2 }));
  }
  for (const [k, letter] of ["A", "B"].entries()) {
    const button = get(`point-${letter}`), place = places[k];
    button.hidden = !place;
    if (!place) continue;
    button.style.left = `${place[0]}px`;
    button.style.top = `${place[1]}px`;
    const point = state.points[k];
    button.setAttribute("aria-label", `Point ${letter} at ${length(point.fast)}, ${length(point.slow)}; arrow keys move it`);
  }
}

function marks(over) {
  // findings name rows and columns of the recorded scan, so they are marked where that is seen
  const recorded = view.images.find((one) => one.frame === "commanded");
  if (!state.findings || !recorded) return;
  const { rows, columns } = state.findings;
  const edge = ([low, high, count], k) => low + (k - 0.5) * (high - low) / Math.max(count - 1, 1);
  const p = view.plot, stop = view.images.length > 1 ? p.x + view.wipe * p.w : p.x + p.w;
  state.findings.findings.forEach((one, index) => {
    if (one.passes?.length && !one.passes.includes(get("pass").value)) return;
    const runs = one.area ? [one.area] : (one.runs.length ? one.runs : one.lines ? [one.lines] : []).map(([a, b]) => [a, b, 0, columns[2] - 1]);
    for (const [r0, r1, c0, c1] of runs) {
      if (r0 <= 0 && r1 >= rows[2] - 1 && c0 <= 0 && c1 >= columns[2] - 1) continue; // the whole frame
      const [x1, y1] = view.toScreen(edge(columns, c0), edge(rows, r1 + 1));
      const [x2, y2] = view.toScreen(edge(columns, c1 + 1), edge(rows, r0));
      const width = Math.min(x2, stop) - x1;
      if (width <= 0) continue;
      const box = { x: x1, y: y1, width, height: Math.max(y2 - y1, 2) };
      over.append(drawn("rect", { class: `found${state.chosen === index ? " chosen" : ""}`, ...box }), drawn("rect", { class: "found-dark", ...box }));
    }
  });
}

function listFindings() {
  const found = state.findings.findings;
  if (!found.length) {
    get("findings").replaceChildren(element("p", "Nothing was found that is wrong with this scan.", "empty"));
    return;
  }
  get("findings").replaceChildren(...found.map((one, index) => {
    const made = element("div", "", `finding ${one.severity}`);
    const first = element("p");
    first.append(element("span", `${one.severity}: `, "severity"), document.createTextNode(one.message));
    made.append(first, element("p", one.advice));
    if (one.effect) {
      const more = element("details");
      more.append(element("summary", "What it does to results"), element("p", one.effect));
      made.append(more);
    }
    if (one.lines || one.area || one.runs.length) {
      const button = element("button", "Show in the picture", "small");
      button.type = "button";
      button.addEventListener("click", () => {
        state.chosen = state.chosen === index ? undefined : index;
        get("marks").checked = true;
        if (one.passes?.length && !one.passes.includes(get("pass").value)) {
          get("pass").value = one.passes[0];
          get("pass").dispatchEvent(new Event("change"));
        }
        if (!view.images.some((image) => image.frame === "commanded")) { get("kind").value = "recorded"; show(); }
        overlay();
        get("picture").scrollIntoView({ block: "nearest" });
      });
      made.append(button);
    }
    return made;
  }));
}

// --- saving ------------------------------------------------------------------------------------------

async function save(what) {
  const [kind, direction] = get("kind").value.split(" ");
  const said = query(kind === "wipe" ? { kind: "recorded", wipe: view.wipe } : { kind, direction: direction ?? 0 });
  for (const point of state.points) if (!point.fresh) said.append("point", `${point.fast},${point.slow}`);
  const answer = await fetch(`${at(`export/${what}`)}?${said}`);
  if (!answer.ok) throw new Error((await answer.json().catch(() => ({}))).error ?? "It can't be saved.");
  const name = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") ?? "")?.[1] ?? what;
  const link = element("a");
  link.href = URL.createObjectURL(await answer.blob());
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

// --- wiring ------------------------------------------------------------------------------------------

for (const id of ["kind", "level"]) get(id).addEventListener("change", show);
for (const id of ["pass", "channel"]) get(id).addEventListener("change", () => { show(); tellPoints(); });
get("scan").addEventListener("change", () => open(Number(get("scan").value)));
get("marks").addEventListener("change", overlay);
get("wipe").addEventListener("input", () => { view.wipe = Number(get("wipe").value); view.draw(); overlay(); });
get("straight").addEventListener("change", () => drawProfile(get("profile"), state.told.profile, get("straight").checked));
get("clear").addEventListener("click", () => { state.points = []; tellPoints(); });
get("place").addEventListener("click", async () => {
  const [[f0, f1], [s0, s1]] = [scan().fast, scan().slow];
  const [w, h] = [f1 - f0, s1 - s0];
  state.points = [0.3, 0.7].map((part) => ({ fast: f0 + part * w, slow: s0 + 0.5 * h, frame: "commanded" }));
  await tellPoints();
  get("point-A").focus();
});
for (const button of document.querySelectorAll("[data-save]")) {
  button.addEventListener("click", () => save(button.dataset.save).then(() => trouble(null), trouble));
}
new ResizeObserver(() => {
  view.draw();
  overlay();
  if (state.told?.profile) drawProfile(get("profile"), state.told.profile, get("straight").checked);
}).observe(get("picture").parentElement);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => view.draw());

const said = await ask("/api/scans").catch((error) => { trouble(error); return null; });
if (said) {
  state.scans = said.scans;
  get("version").textContent = `calib ${said.version}`;
  options(get("level"), Object.entries(said.levellings), "plane");
  options(get("scan"), said.scans.map((one, k) => [String(k), one.name]), "0");
  get("scan-row").hidden = said.scans.length < 2;
  await open(0);
}
