// How well a machine delivers, in a few words: what the overview and the
// machines' view say of it alike.

import { h } from "./dom.js";
import { brief, day, known, percent } from "./format.js";
import { unknown } from "./mark.js";

export const outputOf = (a, position) => (a.outputs || []).find((o) => o.position === position);

// share is the smoothed part of the baseline or, without a trend, the last
// run's part of baseline or rating.
export const share = (o) => (known(o.trend.smoothed) ? o.trend.smoothed : o.last_ratio);

// ill reports that something was found.
export const ill = (o) => o.delivers_nothing || o.low_output || o.output_falling;

// course is where it goes, in words.
export function course(o) {
  const t = o.trend;
  if (o.delivers_nothing) return "delivers nothing";
  if (o.low_output) return t.step ? "fell at once" + (t.step_at ? ", " + brief(new Date(t.step_at)) : "") : "low";
  if (o.output_falling) return "falling";
  if (!known(o.baseline_cubic_meters_per_second)) return "baseline from " + o.baseline_runs + " of 5 runs so far";
  if (t.days < 1) return "too new for a trend";
  return "steady";
}

// fate is when it falls under the limit, or nothing.
export function fate(o) {
  const f = o.trend.forecast;
  return f.known ? "under 70\u00a0% about " + day(new Date(f.at)) : "";
}

// health is the cell of a table.
export function health(o) {
  if (!o) return unknown();
  if (!known(share(o)) && !ill(o)) return unknown("no run that counts yet");
  const words = course(o), later = o.output_falling ? fate(o) : "";
  return h("span", {}, known(share(o)) ? h(ill(o) ? "span.no" : "span", {}, percent(share(o)) + (known(o.baseline_cubic_meters_per_second) ? "" : " of rating")) : unknown(o.trend.reason),
    h("span.note", {}, " " + words + (later ? ", " + later : "")));
}
