// Numbers, units, times and words. The interface speaks SI; a reader sees
// the units that were chosen. null never becomes a number.

let us = false;
export function chooseUS(on) { us = on; }

const metric = {
  gauge: ["bar", (v) => v / 1e5, 2],
  differential: ["bar", (v) => v / 1e5, 2],
  absolute: ["bar abs", (v) => v / 1e5, 2],
  level: ["m", (v) => v, 3],
  volume: ["L", (v) => v * 1e3, 0],
  temperature: ["°C", (v) => v - 273.15, 1],
  current: ["A", (v) => v, 1],
  flow: ["L/min", (v) => v * 6e4, 1],
  air: ["L/min", (v) => v * 6e4, 0],
};

// 1 psi = 6894.757293168 Pa, 1 US gal = 231 in³, 1 in = 0.0254 m,
// 1 ft³ = 0.028316846592 m³ (exact).
const american = {
  ...metric,
  gauge: ["psig", (v) => v / 6894.757293168, 1],
  differential: ["psi", (v) => v / 6894.757293168, 1],
  absolute: ["psia", (v) => v / 6894.757293168, 1],
  level: ["in", (v) => v / 0.0254, 1],
  volume: ["gal", (v) => v / 0.003785411784, 1],
  temperature: ["°F", (v) => (v - 273.15) * 1.8 + 32, 1],
  flow: ["gal/min", (v) => (v * 60) / 0.003785411784, 2],
  air: ["ft³/min", (v) => (v * 60) / 0.028316846592, 2],
};

// known reports whether v is a number at all.
export const known = (v) => typeof v === "number" && Number.isFinite(v);

// measure is how a kind of value is shown: its unit, the conversion from SI
// and the digits.
export const measure = (kind) => (us ? american : metric)[kind];

// quantity is a value in its unit, or "unknown".
export function quantity(v, kind) {
  if (!known(v)) return "unknown";
  const [unit, convert, digits] = (us ? american : metric)[kind];
  return grouped(convert(v), digits) + "\u00a0" + unit;
}

// grouped is a number with thin spaces between its thousands.
export function grouped(v, digits) {
  const fixed = Math.abs(v).toFixed(digits);
  const [whole, part] = fixed.split(".");
  const spaced = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f");
  const minus = v < 0 && Number(fixed) !== 0 ? "\u2212" : "";
  return minus + spaced + (part ? "." + part : "");
}

const kinds = { Pa: "gauge", m: "level", "m³": "volume", "m³/s": "flow", K: "temperature", A: "current" };

// figure is a value of an event with its unit, or "unknown".
export function figure(v, unit, name) {
  if (!known(v)) return "unknown";
  if (kinds[unit]) return quantity(v, /gas_pressure|absolute/.test(name || "") ? "absolute" : kinds[unit]);
  if (unit === "s") return duration(v);
  if (unit === "s since 1970") return day(new Date(v * 1000));
  if (name === "slope_per_day") return grouped(v * 100, 2) + "\u00a0%";
  const digits = Math.abs(v) >= 100 || Number.isInteger(v) ? 0 : 2;
  return grouped(v, digits) + (unit && unit !== "1" ? "\u00a0" + unit : "");
}

export function percent(v) {
  return known(v) ? Math.round(v * 100) + "\u00a0%" : "unknown";
}

export function plural(n, one, many) { return n + "\u00a0" + (n === 1 ? one : many || one + "s"); }

// duration is a length of time in at most two units: "6 min 20 s", "31 h".
export function duration(seconds) {
  if (!known(seconds)) return "unknown";
  const t = Math.round(Math.max(0, seconds));
  const pair = (a, ua, b, ub) => a + "\u00a0" + ua + (b ? " " + b + "\u00a0" + ub : "");
  if (t < 60) return t + "\u00a0s";
  if (t < 3600) return pair(Math.floor(t / 60), "min", t < 600 ? t % 60 : 0, "s");
  if (t < 86400) return pair(Math.floor(t / 3600), "h", Math.floor((t % 3600) / 60), "min");
  return pair(Math.floor(t / 86400), "d", Math.floor((t % 86400) / 3600), "h");
}

export function hours(seconds) {
  return known(seconds) ? grouped(seconds / 3600, 1) + "\u00a0h" : "unknown";
}

const two = (n) => String(n).padStart(2, "0");
const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

export function clock(t) {
  return two(t.getHours()) + ":" + two(t.getMinutes()) + ":" + two(t.getSeconds());
}

export function zone(t) {
  const part = new Intl.DateTimeFormat("en-GB", { timeZoneName: "short" })
    .formatToParts(t).find((p) => p.type === "timeZoneName");
  return part ? part.value : "";
}

// moment is a local time, with the day where it is not the day of now.
export function moment(iso, now) {
  const t = new Date(iso);
  if (!iso || Number.isNaN(t.getTime()) || t.getFullYear() < 1971) return "unknown";
  if (t.toDateString() === now.toDateString()) return clock(t);
  const year = t.getFullYear() === now.getFullYear() ? "" : " " + t.getFullYear();
  return t.getDate() + "\u00a0" + months[t.getMonth()] + year + " " + clock(t);
}

// brief is a local time without its seconds, with the day.
export function brief(t) {
  return t.getDate() + "\u00a0" + months[t.getMonth()] + (t.getFullYear() === new Date().getFullYear() ? " " : " " + t.getFullYear() + " ") +
    two(t.getHours()) + ":" + two(t.getMinutes());
}

// day is a local day, with its year where that is another one.
export function day(t) {
  return t.getDate() + "\u00a0" + months[t.getMonth()] + (t.getFullYear() === new Date().getFullYear() ? "" : " " + t.getFullYear());
}

// tick is a label of a time axis, as fine as the step between two of them.
export function tick(t, seconds) {
  if (seconds >= 300 * 86400) return String(t.getFullYear());
  if (seconds >= 20 * 86400) return months[t.getMonth()] + (t.getMonth() === 0 ? " " + t.getFullYear() : "");
  if (seconds >= 86400 || t.getHours() + t.getMinutes() === 0) return t.getDate() + "\u00a0" + months[t.getMonth()];
  return two(t.getHours()) + ":" + two(t.getMinutes());
}

// age is the seconds from iso to the ISO time now.
export function age(iso, now) { return (Date.parse(now) - Date.parse(iso)) / 1000; }
