// The start page of several units: one row each, in the agent's order, the
// one that needs attention first. Each row leads to its unit.

import { show, h } from "./dom.js";
import { duration, grouped, known, plural } from "./format.js";
import { mark, unknown } from "./mark.js";
import { address } from "./views.js";

export function open(el) {
  return {
    tell(_u, _units, _now, list) { show(el, list ? page(list) : null); },
    close() {},
  };
}

const columns = [["Unit"], ["Needs attention"], ["At least / required", 1], ["Expected", 1], ["Ended by"], ["Alarms"], ["Backup"], ["Reserve's quality"], ["Last scan", 1]];

function page(list) {
  const calm = list.filter((u) => !u.attention).length;
  return h("section", { "aria-labelledby": "t-units" },
    h("h2", { id: "t-units" }, list.length + " units, the one that needs attention first; " + (calm === list.length ? "none does" : calm ? plural(calm, "unit needs", "units need") + " nothing" : "all do")),
    h("table.wide.units", { role: "table" },
      h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, columns.map(([name, num]) =>
        h("th" + (num ? ".num" : ""), { scope: "col", role: "columnheader" }, name)))),
      h("tbody", { role: "rowgroup" }, list.map(row))));
}

function row(u) {
  // What is as it should be is left out where there is room for little.
  const cell = (i, calm, ...what) => h("td" + (columns[i][1] ? ".num" : "") + (calm ? ".calm" : ""), { role: "cell", "data-label": columns[i][0] }, h("span", {}, what));
  const below = u.reserve_known && u.at_least_cycles < u.required_cycles;
  const weak = (u.redundancy || []).filter((b) => b.redundancy !== "both");
  return h("tr" + (u.fresh ? "" : ".stale"), { role: "row", "data-key": u.unit },
    h("th", { scope: "row", role: "rowheader" }, h("a", { href: address("now", u.unit) }, u.unit), h("span.note.site", {}, u.site)),
    cell(1, !u.attention, u.attention ? h("strong", {}, u.attention) : h("span.quiet", {}, "nothing"),
      u.power_lost && u.attention !== "mains lost" ? "; mains lost" : ""),
    cell(2, false, u.reserve_known ? [h("strong" + (below ? ".short" : ""), { "data-priority": "high" }, below ? mark("high", true) : null, u.at_least_cycles), " / " + u.required_cycles]
      : [unknown(), " / " + u.required_cycles]),
    cell(3, true, known(u.expected_cycles) ? grouped(u.expected_cycles, 1) : unknown()),
    cell(4, !u.limit, u.limit || unknown()),
    cell(5, !u.alarms_needing_someone, u.alarms_needing_someone ? [mark(u.highest_priority, u.alarms_unacknowledged > 0), u.alarms_needing_someone + ", " + u.highest_priority +
      (u.alarms_unacknowledged ? "" : ", all seen")] : h("span.quiet", {}, "none")),
    cell(6, weak.length === 0, weak.length ? weak.map((b, i) => [i ? "; " : "", h("span.no", {}, b.kind + "s: " + words[b.redundancy])])
      : (u.redundancy || []).length ? h("span.quiet", {}, "both of each") : h("span.quiet", {}, "no machines")),
    cell(7, u.quality === "good", u.quality === "good" ? h("span.good", {}, "good") : h("span." + u.quality, {}, u.quality, u.reason ? ": " + u.reason : "")),
    cell(8, false, u.fresh ? duration(Math.max(0, u.age_seconds)) + " ago" : h("strong", {}, duration(Math.abs(u.age_seconds)) + (u.age_seconds < 0 ? " ahead" : " ago"))));
}

const words = { one: "only one can start", none: "none can start", unknown: "unknown" };
