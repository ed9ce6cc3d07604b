// Alarms that need someone, the most urgent first and among equals the one
// that has waited longest, each with what the operator does.

import { h } from "./dom.js";
import { age, duration, figure, known, moment, plural } from "./format.js";
import { mark, unknown } from "./mark.js";
import { buttons } from "./act.js";

const order = { high: 0, medium: 1, low: 2 };
const waiting = new Set(["unacknowledged", "acknowledged", "returned unacknowledged", "latched"]);
const aside = new Set(["shelved", "suppressed by design", "out of service"]);

export function needing(a) {
  return (a.alarms || []).filter((x) => waiting.has(x.state)).sort((x, y) =>
    order[x.priority] - order[y.priority] || Date.parse(x.since) - Date.parse(y.since));
}

export function alarms(a, now) {
  const list = needing(a);
  const dark = (a.alarms || []).filter((x) => x.state === "unknown");
  const away = (a.alarms || []).filter((x) => aside.has(x.state));
  return [
    list.length === 0
      ? h("p.none", {}, "None. " + plural((a.alarms || []).length - dark.length - away.length, "alarm") + " judged.")
      : h("ol.alarms", {}, list.map((x) => one(x, a, now))),
    dark.length ? h("details.dark", {}, h("summary", {}, plural(dark.length, "alarm") + " cannot be judged"),
      h("ul", {}, dark.map((x) => h("li", {}, x.title + source(x, a) + ": ", unknown(x.reason))))) : null,
    away.length || (a.out_of_service || []).length ? put(away, a, now) : null,
    load(a.alarm_load),
  ];
}

// put lists what is out of sight on purpose, and until when.
function put(away, a, now) {
  const places = (a.out_of_service || []).map((x) => h("li", { "data-key": "away/" + x.source },
    (x.source === "unit" ? "the whole unit" : source(x, a).slice(2)) + ": out of service until " + moment(x.until, now) + ", " + x.reason + " (" + x.by + ")"));
  return h("details.dark", {}, h("summary", {}, plural(away.length, "alarm") + " put aside"), h("ul", {}, places,
    away.filter((x) => x.state !== "out of service").map((x) => h("li", { "data-key": x.alarm + "/" + x.source },
      x.title + source(x, a) + ": " + x.state + (x.until ? " until " + moment(x.until, now) : "") + (x.reason ? ", " + x.reason : "") +
      (x.by ? " (" + x.by + ")" : "") + (waiting.has(x.behind) ? "; raised" : ""), buttons(x)))));
}

// load is how many alarms have asked for attention.
function load(f) {
  if (!f) return null;
  const often = (f.most_frequent || []).map((x) => x.alarm.replaceAll("_", " ") + (x.source === "unit" ? "" : " of " + x.source) + " " + x.raised_24h + "×");
  return [
    f.flood ? h("p.flood", {}, mark("high", true), " More alarms come than one person can follow: " + f.raised_10min + " within 10 minutes.") : null,
    h("details.dark", {}, h("summary", {}, plural(f.raised_24h, "alarm") + " in 24 h" + (f.rating ? ", " + f.rating : "")),
      h("ul", {}, h("li", {}, f.raised_10min + " in the last 10 minutes, at most " + f.most_in_10min_24h + "; " + plural(f.floods_24h, "flood")),
        h("li", {}, (f.shares || []).filter((x) => x.priority).map((x) => x.priority + " " + (known(x.share) ? Math.round(100 * x.share) + "\u00a0%" : "none")).join(", ")),
        h("li", {}, plural(f.chattering, "alarm") + " chattering, " + f.stale + " stale, " + duration(f.observed_seconds) + " observed"),
        often.length ? h("li", {}, "most frequent: " + often.join(", ")) : null)),
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
        h("span.priority", {}, x.priority), h("span.state", {}, x.state + (x.chattering ? ", chattering" : "") + (x.stale ? ", for over a day" : ""))),
      h("p.act", {}, h("span.label", {}, "Do: "), x.action, x.note ? [h("span.label", {}, " Here: "), x.note] : null),
      h("p.facts", {}, [compared(x), "since " + moment(x.since, now) + ", " + duration(age(x.since, a.time)), within(x, a, now)]
        .filter(Boolean).join(" · ")),
      buttons(x)));
}

export function compared(x) {
  return known(x.limit) ? figure(x.value, x.unit) + ", limit " + figure(x.limit, x.unit) : "";
}

// within says how long there is left to act, from the catalogue's time.
function within(x, a, now) {
  if (!x.respond_within_seconds || x.state !== "unacknowledged") return "";
  const left = x.respond_within_seconds - age(x.since, a.time);
  const by = new Date(Date.parse(x.since) + x.respond_within_seconds * 1000).toISOString();
  return left > 0 ? "act by " + moment(by, now) + ", " + duration(left) + " left"
    : "time to act passed " + duration(-left) + " ago";
}
