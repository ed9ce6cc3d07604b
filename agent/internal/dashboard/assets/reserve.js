// The one big figure, what it stands against, and the figures beside it.

import { h, s } from "./dom.js";
import { duration, grouped, known, moment, plural, quantity } from "./format.js";
import { mark, unknown } from "./mark.js";

const limits = { pressure: "pressure", oil: "oil" };

export function reserve(a, now) {
  const r = a.reserve;
  if (!r.known) return blind(a, now);
  // A reserve that is short is as urgent as the site's alarm for it says.
  const urgency = (a.alarms.find((x) => x.alarm === "low_reserve") || { priority: "high" }).priority;
  return [
    headline(r, a.power_lost, urgency),
    a.countdown ? counting(a.countdown, now) : null,
    r.quality === "good" ? null
      : h("p.doubt", {}, "This reserve is ", h("span." + r.quality, {}, r.quality), ": ", causes(a)),
    ruler(r, urgency),
    figures(r, a.power_lost),
    strokes(r, a.power_lost),
  ];
}

// headline: "at least 4 cycles", then in words how that compares.
function headline(r, lost, urgency) {
  const spare = r.at_least_cycles - r.required_cycles;
  const short = spare < 0;
  const words = short ? plural(-spare, "cycle") + " fewer than required"
    : spare === 0 ? "exactly what is required" : plural(spare, "cycle") + " more than required";
  return h("div.headline" + (short ? ".short" : ""), { "data-priority": urgency },
    h("p.figure", { id: "at-least" },
      short ? mark(urgency, true) : null,
      h("span.pre", {}, lost ? "left: at least " : "at least "),
      h("strong" + (r.quality === "good" ? "" : ".doubtful"), {}, known(r.at_least_cycles) ? r.at_least_cycles : "unknown"),
      h("span.post", {}, " " + (r.at_least_cycles === 1 ? "cycle" : "cycles"))),
    h("p.against", {}, h("span", {}, "required " + r.required_cycles), h("span.words", {}, words)));
}

// counting is what has gone since the mains were lost, and how long the rest
// lasts if it goes on so.
function counting(d, now) {
  const made = known(d.strokes_made) ? h("strong", {}, (d.strokes_may_be_more ? "at least " : "") + d.strokes_made) : unknown(d.strokes_reason);
  const left = known(d.time_left_seconds) ? h("strong", {}, duration(d.time_left_seconds)) : h("strong", {}, "steady");
  return h("dl.counting", { id: "countdown" },
    h("div", {}, h("dt", {}, "Strokes made"), h("dd", {}, made,
      h("span.note", {}, known(d.strokes_made) ? " by " + d.strokes_counted_by + (d.strokes_may_be_more ? "; " + d.strokes_reason : "") : ""))),
    h("div", {}, h("dt", {}, "Time left"), h("dd", {}, known(d.time_left_seconds) || /visibly/.test(d.time_left_reason) ? left : unknown(d.time_left_reason),
      h("span.note", {}, known(d.time_left_seconds) ? " at the present decline, until no cycle is certain" : /visibly/.test(d.time_left_reason) ? " no visible decline in the last 10\u00a0minutes" : ""))),
    h("div", {}, h("dt", {}, "Mains lost for"), h("dd", {}, h("strong", {}, duration(d.mains_lost_seconds)),
      h("span.note", {}, " since " + moment(d.mains_lost_at, now) + "; then at least " + (known(d.at_least_cycles_then) ? plural(d.at_least_cycles_then, "cycle") : "unknown")))));
}

// blind: no number stands where the reserve would; the last known one has a
// line of its own with its age.
function blind(a, now) {
  const last = a.last_known_reserve;
  return [
    h("div.headline.blind", {},
      h("p.figure", { id: "at-least" }, h("strong", {}, "unknown")),
      h("p.against", {}, h("span", {}, "required " + a.reserve.required_cycles),
        h("span.words", { id: "why-unknown" }, "Why: " + (a.reserve.reason || "no reason given")))),
    last ? h("p.last", { id: "last-known" },
      h("span", {}, "Last known, not now: "),
      "at least " + plural(last.at_least_cycles, "cycle") + ", expected " + decimal(last.expected_cycles) +
      ", at " + moment(last.time, now) + ", " + duration(last.age_seconds) + " ago")
      : h("p.last", { id: "last-known" }, "No reserve has been known since the agent started."),
    h("dl.figures", {}, ["Expected", "Full charge", "Ended by", "Hold time", "Time to full charge", "Usable oil"]
      .map((name) => h("div", {}, h("dt", {}, name), h("dd", {}, unknown())))),
    a.countdown ? counting(a.countdown, now) : null,
  ];
}

const decimal = (v) => (known(v) ? grouped(v, 1) : "unknown");

// causes names the inputs that are not good.
function causes(a) {
  const bad = [["tank pressure", a.gas_pressure], ["oil level", a.oil_level]]
    .filter(([, x]) => x.quality !== "good").map(([name, x]) => name + " " + (x.reason || x.quality));
  return (bad.length ? bad.join("; ") : "one of its inputs is not good") + ".";
}

function figures(r, mainsLost) {
  const row = (name, value, note, bar) => h("div", {}, h("dt", {}, bar ? swatch(bar) : null, name),
    h("dd", {}, value === "unknown" ? unknown() : value, note ? h("span.note", {}, " " + note) : null));
  const lost = r.full_charge_cycles - r.expected_cycles;
  return h("dl.figures", {},
    row("Expected", decimal(r.expected_cycles), known(r.expected_cycles) ? "cycles" : "", "expected"),
    row("Full charge", decimal(r.full_charge_cycles),
      known(lost) ? "cycles, " + (lost >= 0.05 ? grouped(lost, 1) + " lost since" : "nothing lost since") : "", "charge"),
    row("Ended by", limits[r.limit] || "unknown"),
    r.at_least_cycles < r.required_cycles ? row(mainsLost ? "Untouched from now" : "Hold time", "none", "fewer than " + r.required_cycles + " are stored")
      : mainsLost ? row("Untouched from now", duration(r.hold_time_seconds), "until fewer than " + r.required_cycles + " are stored")
      : row("Hold time", duration(r.hold_time_seconds), "untouched, without mains, " + r.required_cycles + " kept"),
    mainsLost && !known(r.time_to_full_seconds) && !known(r.time_to_full_one_machine_seconds) ? h("div", {}, h("dt", {}, "Time to full charge"), h("dd", {}, h("span.quiet", {}, "not while the mains are lost")))
      : row("Time to full charge", duration(r.time_to_full_seconds),
      known(r.time_to_full_seconds) || known(r.time_to_full_one_machine_seconds)
        ? (mainsLost ? "once the mains are back, " : "") + "with both of each pair; " + duration(r.time_to_full_one_machine_seconds) + " with one" : ""),
    row("Usable oil", quantity(r.usable_oil_cubic_meters, "volume"), "down to the limit"));
}

// swatch ties a figure to its bar on the line of cycles.
const swatch = (bar) => s("svg.swatch.bar", { viewBox: "0 0 11 6", "aria-hidden": "true" },
  s("rect", { width: 11, height: 6, class: bar }));

// ruler lays the three figures and the requirement on one line of cycles.
function ruler(r, urgency) {
  const most = Math.max(1, Math.ceil(Math.max(r.full_charge_cycles || 0, r.expected_cycles || 0, r.required_cycles) + 0.2));
  const x = (n) => 8 + (n / most) * 584;
  const step = Math.ceil(most / 12);
  const marks = [];
  for (let n = 0; n <= most; n += step) {
    marks.push(s("line", { x1: x(n), x2: x(n), y1: 44, y2: 50, class: "tick" }),
      s("text", { x: x(n), y: 64, class: "scale", "text-anchor": "middle" }, n));
  }
  const below = r.at_least_cycles < r.required_cycles;
  return s("svg.ruler.bar", { viewBox: "0 0 600 70", "data-priority": urgency, role: "img", "aria-label":
    "On a line of cycles: required " + r.required_cycles + ", at least " + r.at_least_cycles +
    ", expected " + decimal(r.expected_cycles) + ", full charge " + decimal(r.full_charge_cycles) },
    s("rect", { x: x(0), y: 30, width: Math.max(0, x(r.full_charge_cycles || 0) - x(0)), height: 12, class: "charge" }),
    s("rect", { x: x(0), y: 30, width: Math.max(0, x(r.expected_cycles || 0) - x(0)), height: 12, class: "expected" }),
    s("rect", { x: x(0), y: 27, width: Math.max(0, x(r.at_least_cycles || 0) - x(0)), height: 18, class: below ? "least short" : "least" }),
    s("line", { x1: x(0), x2: x(most), y1: 47, y2: 47, class: "tick" }),
    marks,
    s("path", { d: `M${x(r.required_cycles)} 46V16`, class: "need" }),
    s("path", { d: `M${x(r.required_cycles) - 5} 10h10l-5 8z`, class: "needhead" }),
    s("text", { x: x(r.required_cycles) + 9, y: 18, class: "scale strong" }, "required " + r.required_cycles));
}

// strokes is the expected way of pressure and level: cycle by cycle, and one
// step further stroke by stroke.
export function strokes(r, mainsLost) {
  const all = r.strokes || [];
  if (all.length === 0) return null;
  const line = (k, what) => h("tr" + (k.counts ? "" : ".spent"), {},
    h("td", {}, what, k.counts ? null : h("span.why", {}, ", limit passed")),
    h("td.num", {}, quantity(k.gauge_pressure_pascals, "gauge")),
    h("td.num", {}, quantity(k.level_meters, "level")));
  const table = (name, rows) => h("table", {},
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, name), h("th.num", { scope: "col" }, "Pressure"), h("th.num", { scope: "col" }, "Level"))),
    h("tbody", {}, rows));
  const cycles = [...new Set(all.map((k) => k.cycle))].map((n) => {
    const mine = all.filter((k) => k.cycle === n);
    const broken = mine.find((k) => !k.counts);
    return broken ? line(broken, "in cycle " + n + ", " + act(broken)) : line(mine.at(-1), "after cycle " + n);
  });
  return [
    h("details", { open: mainsLost, "data-key": mainsLost ? "lost" : "stored" },
      h("summary", {}, "Pressure and level after each cycle (expected)"), table("Expected", cycles)),
    h("details", {}, h("summary", {}, "Stroke by stroke"),
      table("Expected", all.map((k) => line(k, "cycle " + k.cycle + ", " + act(k))))),
  ];
}

const act = (k) => k.valve + (k.closing ? " closes" : " opens");
