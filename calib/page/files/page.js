// What the page does: it opens a scan, shows the picture that was chosen, and ties controls to what they do.

import { ask, at, get, query, scan, state, trouble, view } from "./asking.js";
import { listFindings } from "./findings.js";
import { overlay, tellPoints } from "./points.js";
import { drawProfile } from "./profile.js";
import { save } from "./saving.js";
import { element, list } from "./words.js";

function options(select, entries, chosen) {
  select.replaceChildren(...entries.map(([value, text]) => {
    const one = element("option", text);
    one.value = value;
    return one;
  }));
  if (entries.some(([value]) => value === chosen)) select.value = chosen;
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
  if (found && state.number === number) { state.findings = found; listFindings(reveal); overlay(); }
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
    get("level-row").hidden = !["wipe", "recorded", "corrected", "difference"].includes(kind);
    get("said").textContent = `Shown: ${view.words}`;
    get("canvas").setAttribute("aria-label", view.words);
    list(get("notes"), [...new Set([...pictures.flatMap((one) => one.notes), ...scan().notes])]);
    trouble(null);
    overlay();
  } catch (error) {
    if (turn === state.shown) trouble(error);
  }
}

/** Show the picture in which a finding of these passes is marked. */
function reveal(passes) {
  if (passes.length && !passes.includes(get("pass").value)) {
    get("pass").value = passes[0];
    get("pass").dispatchEvent(new Event("change"));
  }
  if (!view.images.some((image) => image.frame === "commanded")) { get("kind").value = "recorded"; show(); }
  overlay();
  get("picture").scrollIntoView({ block: "nearest" });
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
