// What is wrong with a scan: marked in the picture, and listed beside it.

import { get, state, view } from "./asking.js";
import { drawn, element } from "./words.js";

export function marks(over) {
  // findings name rows and columns of the recorded scan, so they are marked where that is seen
  const recorded = view.images.find((one) => one.frame === "commanded");
  if (!state.findings || !recorded) return;
  const { rows, columns } = state.findings;
  const edge = ([low, high, count], k) => low + (k - 0.5) * (high - low) / Math.max(count - 1, 1);
  const p = view.plot, stop = view.images.length > 1 ? p.x + view.wipe * p.w : p.x + p.w;
  state.findings.findings.forEach((one, index) => {
    if (one.passes?.length && !one.passes.includes(get("pass").value)) return;
    // lines that lie apart are marked one by one, not as all that lies between them
    const lines = one.runs.length ? one.runs : one.area ? [one.area] : one.lines ? [one.lines] : [];
    const across = one.area ? one.area.slice(2) : [0, columns[2] - 1];
    const runs = lines.map(([a, b]) => [a, b, ...across]);
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

/** List them; `reveal` is called with the pass in which a chosen one is seen, after it was chosen. */
export function listFindings(reveal) {
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
        reveal(one.passes ?? []);
      });
      made.append(button);
    }
    return made;
  }));
}
