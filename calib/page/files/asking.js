// What is looked at, and how the server is asked about it.

import { View } from "./picture.js";

export const get = (id) => document.getElementById(id);
export const view = new View(get("canvas"));
export const state = { scans: [], number: 0, points: [], told: null, findings: null, asked: 0, shown: 0 };

export async function ask(path, body) {
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

export function trouble(error) {
  get("trouble").hidden = !error;
  get("trouble").textContent = error ? error.message : "";
  document.documentElement.dataset.busy = "no";
}

export const scan = () => state.scans[state.number];
export const at = (what) => `/api/scan/${state.number}/${what}`;

export function query(more = {}) {
  const said = { pass: get("pass").value, channel: get("channel").value, level_by: get("level").value, ...more };
  return new URLSearchParams(said);
}
