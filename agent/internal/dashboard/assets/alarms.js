// Alarms that need someone, the most urgent first and among equals the one
// that has waited longest, each with what the operator does.

import { h } from "./dom.js";
import { age, duration, known, moment, plural, quantity } from "./format.js";
import { mark, unknown } from "./mark.js";

const order = { high: 0, medium: 1, low: 2 };
const waiting = new Set(["unacknowledged", "acknowledged", "returned unacknowledged"]);

export function needing(a) {
  return (a.alarms || []).filter((x) => waiting.has(x.state)).sort((x, y) =>
    order[x.priority] - order[y.priority] || Date.parse(x.since) - Date.parse(y.since));
}

export function alarms(a, now) {
  const list = needing(a);
  const dark = (a.alarms || []).filter((x) => x.state === "unknown");
  return [
    list.length === 0
      ? h("p.none", {}, "None. " + plural((a.alarms || []).length - dark.length, "alarm") + " judged.")
      : h("ol.alarms", {}, list.map((x) => one(x, a, now))),
    dark.length ? h("details.dark", {}, h("summary", {}, plural(dark.length, "alarm") + " cannot be judged"),
      h("ul", {}, dark.map((x) => h("li", {}, x.title + source(x, a) + ": ", unknown(x.reason))))) : null,
  ];
}

function source(x, a) {
  if (!x.source || x.source === "unit") return "";
  const m = (a.machines || []).find((k) => k.position === x.source);
  return ", " + (m ? m.tag : x.source);
}

function one(x, a, now) {
  const open = x.state !== "acknowledged";
  return h("li.alarm." + x.priority, { "data-key": x.alarm + "/" + x.source },
    mark(x.priority, open),
    h("div", {},
      h("p.what", {}, h("strong", {}, x.title + source(x, a)),
        h("span.priority", {}, x.priority), h("span.state", {}, x.state)),
      h("p.act", {}, h("span.label", {}, "Do: "), x.action, x.note ? [h("span.label", {}, " Here: "), x.note] : null),
      h("p.facts", {}, [compared(x), "since " + moment(x.since, now) + ", " + duration(age(x.since, a.time)), within(x, a, now)]
        .filter(Boolean).join(" · "))));
}

const kinds = { Pa: "gauge", m: "level", "m³": "volume", K: "temperature", A: "current" };

export function compared(x) {
  if (!known(x.limit)) return "";
  const say = (v) => (kinds[x.unit] ? quantity(v, kinds[x.unit])
    : x.unit === "s" ? duration(v) : known(v) ? String(Math.round(v * 100) / 100) : "unknown");
  return say(x.value) + ", limit " + say(x.limit);
}

// within says how long there is left to act, from the catalogue's time.
function within(x, a, now) {
  if (!x.respond_within_seconds || x.state !== "unacknowledged") return "";
  const left = x.respond_within_seconds - age(x.since, a.time);
  const by = new Date(Date.parse(x.since) + x.respond_within_seconds * 1000).toISOString();
  return left > 0 ? "act by " + moment(by, now) + ", " + duration(left) + " left"
    : "time to act passed " + duration(-left) + " ago";
}
