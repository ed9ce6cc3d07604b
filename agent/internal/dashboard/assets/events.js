// What happened last, newest first.

import { h } from "./dom.js";
import { duration, known, moment, quantity } from "./format.js";
import { mark } from "./mark.js";
import { noteButton } from "./act.js";

const shown = 12;

export function events(list, a, now) {
  if (list === null) return [h("p.none", {}, "Not read yet.")];
  const mine = list.filter((e) => !e.unit || e.unit === a.unit).slice(-shown).reverse();
  if (mine.length === 0) return [h("p.none", {}, "None recorded yet."), noteButton()];
  return [noteButton(), h("ol.events", {}, mine.map((e) => h("li", { "data-key": e.id },
    h("time", { datetime: e.time }, moment(e.time, now), e.clock_trusted ? "" : " (clock not trusted)"),
    h("span", {}, e.kind === "alarm" && e.to === "unacknowledged" ? mark(e.priority, true) : null, words(e, a)))))];
}

// words is an event in a line.
export function words(e, a) {
  const m = (a.machines || []).find((x) => x.position === e.source);
  const where = m ? m.tag : e.source === "unit" ? "" : e.source;
  const change = e.to && e.kind !== "gap" ? ": " + (e.from ? e.from + " \u2192 " : "") + e.to : "";
  const by = e.by || (e.kind === "test" ? e.from : "");
  return (where && e.kind !== "proof" ? where + " " : "") + what(e) + change + (e.reason ? " (" + e.reason + ")" : "") + (by ? ", by " + by : "") +
    (e.until ? ", until " + moment(e.until, new Date()) : "") + (e.durable === false ? ", not stored safely" : "");
}

const value = (e, name) => ((e.values || []).find((x) => x.name === name) || {}).value;

function what(e) {
  const name = (e.name || e.kind).replaceAll("_", " ");
  switch (e.kind) {
    case "test": return "test " + name;
    case "proof": return (e.title || e.source) + ": " + name;
    case "fill": return "filled" + (e.fill && known(e.fill.volume_cubic_meters) ? ": " + quantity(e.fill.volume_cubic_meters, "volume") + " at " + quantity(e.fill.flow_cubic_meters_per_second, "flow") : "");
    case "charge": return "charged" + (e.charge && known(e.charge.free_air_cubic_meters) ? ": " + quantity(e.charge.free_air_cubic_meters, "volume") + " of free air" : "");
    case "draw": return name + (known(value(e, "oil")) ? ": " + quantity(value(e, "oil"), "volume") + " in " + duration(value(e, "duration")) : "");
    case "gap": return name + (known(value(e, "not_observed")) ? " for " + duration(value(e, "not_observed")) : "");
    default: return e.title && e.kind === "command" ? name + ": " + e.title : e.title || name;
  }
}
