// What happened last, newest first.

import { h } from "./dom.js";
import { moment } from "./format.js";
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

export function words(e, a) {
  const m = (a.machines || []).find((x) => x.position === e.source);
  const where = m ? m.tag : e.source === "unit" ? "" : e.source;
  const what = e.title || (e.name || e.kind).replaceAll("_", " ");
  const change = e.to ? ": " + (e.from ? e.from + " \u2192 " : "") + e.to : "";
  return (where ? where + " " : "") + what + change + (e.reason ? " (" + e.reason + ")" : "") + (e.by ? ", by " + e.by : "") +
    (e.durable === false ? ", not stored safely" : "");
}
