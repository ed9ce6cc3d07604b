// Redundancy in words, then each machine with state, hours, starts and share.

import { h } from "./dom.js";
import { age, duration, known, percent } from "./format.js";
import { unknown } from "./mark.js";
import { health, outputOf } from "./health.js";
import { address } from "./views.js";

const names = { pump: "Pumps", compressor: "Compressors" };

export function machines(a) {
  return [
    (a.pairs || []).map((p) => h("p.pair" + (p.redundancy === "both" ? "" : ".weak"), {}, redundancy(p, a))),
    h("table.wide", { role: "table" },
      h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, columns.map(([name, num]) =>
        h("th" + (num ? ".num" : ""), { scope: "col", role: "columnheader" }, name)))),
      h("tbody", { role: "rowgroup" }, (a.machines || []).map((m) => row(m, a)))),
  ];
}

const columns = [["Machine"], ["State"], ["Can start"], ["Delivers, of its baseline"], ["Share of run 24\u00a0h, 7\u00a0d, 30\u00a0d", 1]];

export function redundancy(p, a) {
  const mine = (a.machines || []).filter((m) => m.kind === p.kind);
  const out = mine.filter((m) => !m.available).map((m) => m.tag + (m.blocked ? " (" + m.blocked + ")" : ""));
  const words = {
    both: "both can start; they back each other up",
    one: "only one can start; no backup",
    none: "none can start",
    unknown: "unknown whether they can start",
  }[p.redundancy] || p.redundancy;
  return [h("strong", {}, names[p.kind] + ": "), words,
    out.length && p.redundancy !== "unknown" ? "; out: " + out.join(", ") : "",
    p.next_lead ? "; next to lead: " + tag(p.next_lead, mine) : "",
    p.same_lead_runs > 0 ? "; same lead " + (p.same_lead_runs + 1) + " runs in a row" : ""];
}

const tag = (position, list) => (list.find((m) => m.position === position) || { tag: position }).tag;

function row(m, a) {
  const cell = (i, ...what) => h("td" + (columns[i][1] ? ".num" : ""), { role: "cell", "data-label": columns[i][0] }, what);
  const since = m.since ? " " + duration(age(m.since, a.time)) : "";
  const share = (w) => (known(w.share_of_run_ratio) ? percent(w.share_of_run_ratio)
    : w.run_seconds === 0 ? h("span.quiet", {}, "no run") : unknown());
  return h("tr", { role: "row", "data-key": m.position },
    h("th", { scope: "row", role: "rowheader" }, h("a", { href: address("machines", a.unit, { machine: m.position }) }, m.tag), m.lead ? h("span.note", {}, " leads") : null),
    cell(1, m.state === "unknown" ? unknown(m.reason)
      : h("span", {}, h("span." + m.state, {}, m.state), h("span.note", {}, since))),
    cell(2, m.available ? "yes" : h("span.no", {}, "no" + (m.blocked ? " (" + m.blocked + ")" : ""))),
    cell(3, health(outputOf(a, m.position))),
    cell(4, h("span", {}, m.windows.map((w, i) => [i ? ", " : "", share(w)]))));
}
