// The two points: set, drawn and moved by pointer or keyboard, and what is told of them.

import { ask, at, get, scan, state, trouble, view } from "./asking.js";
import { marks } from "./findings.js";
import { drawProfile } from "./profile.js";
import { drawn, element, length, list, printed } from "./words.js";

/** Where a point is seen: each side of the wipe has coordinates of its own. */
function seen(point) {
  const onTrue = point.true && view.seenAt(point.true.fast).frame === "true";
  return onTrue ? [point.true.fast, point.true.slow] : [point.fast, point.slow];
}

export async function tellPoints() {
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
  made.append(element("dt", name), element("dd", printed(value)));
  if (more) made.append(element("span", printed(more), "more"));
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
    point.values.forEach((value, n) => rows.append(row(`${point.name}, ${value.name}`, value.text, n ? "" : where)));
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
  drag = { before: state.points, from: inside(...placeOf(event)), x: event.clientX, y: event.clientY, moved: false };
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
// the browser takes a finger that scrolls: what it had begun is taken back
get("canvas").addEventListener("pointercancel", () => {
  if (drag?.moved) { state.points = drag.before; overlay(); }
  drag = null;
});

for (const [k, letter] of ["A", "B"].entries()) {
  const button = get(`point-${letter}`);
  let held = null;
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
  button.addEventListener("pointerdown", (event) => { button.setPointerCapture(event.pointerId); button.dataset.held = "yes"; held = state.points[k]; });
  button.addEventListener("pointermove", (event) => {
    if (button.dataset.held !== "yes") return;
    state.points[k] = fresh(...inside(...placeOf(event)));
    overlay();
  });
  button.addEventListener("pointerup", () => {
    if (button.dataset.held === "yes" && state.points[k]?.fresh) tellPoints();
    button.dataset.held = "no";
  });
  button.addEventListener("pointercancel", () => {
    if (button.dataset.held === "yes" && held) { state.points[k] = held; overlay(); }
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

export function overlay() {
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
