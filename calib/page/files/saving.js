// Saves what is seen as a file.

import { at, get, query, state, view } from "./asking.js";
import { element } from "./words.js";

export async function save(what) {
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
