// Every reading with its quality, its reason and its age.

import { h } from "./dom.js";
import { age, duration, grouped, known, moment, quantity } from "./format.js";
import { trust, unknown } from "./mark.js";

const points = {
  pressure: ["Tank pressure", "gauge"],
  level: ["Level as measured", "level"],
  sump_level: ["Sump level", "level"],
  oil_temperature: ["Oil temperature", "temperature"],
  wall_temperature: ["Wall temperature", "temperature"],
  atmospheric_pressure: ["Atmospheric pressure", "absolute"],
  filter_differential: ["Filter differential pressure", "differential"],
  mains: ["Mains", ["present", "absent"]],
  low_level_switch: ["Low level switch", ["tripped", "clear"]],
  low_pressure_switch: ["Low pressure switch", ["tripped", "clear"]],
  "agent.history": ["Agent's record", ["stored safely", "not stored"]],
  "agent.room": ["Agent's disk", ["has room", "nearly full"]],
  "agent.clock": ["Agent's clock", ["trusted", "not trusted"]],
};

const ofMachine = {
  running: ["running contact", ["closed", "open"]],
  called: ["called by the panel", ["yes", "no"]],
  overload: ["overload", ["tripped", "clear"]],
  automatic: ["selector in automatic", ["yes", "no"]],
  hand: ["selector in hand", ["yes", "no"]],
  start_counter: ["start counter", "count"],
  hour_meter: ["hour meter", "hours"],
  discharge_pressure: ["discharge pressure", "gauge"],
  motor_current: ["motor current", "current"],
};

// named is a point's name for a person and the kind of its value.
function named(id, unit, a) {
  if (points[id]) return id === "level" && unit === "Pa" ? ["Level cell", "differential"] : points[id];
  const parts = id.split(".");
  const m = (a.machines || []).find((x) => x.position === parts[0]);
  if (m && ofMachine[parts[1]]) return [m.tag + " " + ofMachine[parts[1]][0], ofMachine[parts[1]][1]];
  if (parts[0] === "link") return ["Link " + parts.slice(1).join("."), ["up", "down"]];
  if (parts[0] === "valve") return ["Valve " + parts.slice(1, -1).join(".") + " " + parts.at(-1), ["yes", "no"]];
  return [id, { Pa: "gauge", m: "level", "m³": "volume", K: "temperature", A: "current" }[unit] || "count"];
}

const ofOne = (id, a) => (a.machines || []).some((m) => id.startsWith(m.position + "."));

function said(value, kind) {
  if (!known(value)) return null;
  if (Array.isArray(kind)) return value !== 0 ? kind[0] : kind[1];
  if (kind === "count") return grouped(value, 0);
  if (kind === "hours") return grouped(value / 3600, 1) + "\u00a0h";
  return quantity(value, kind);
}

export function readings(a, now) {
  const derived = [
    ["Gas pressure", "absolute", a.gas_pressure], ["Oil level in the tank", "level", a.oil_level],
    ["Oil volume", "volume", a.oil_volume], ["Air volume", "volume", a.gas_volume]];
  const all = (a.readings || []).map(({ id, reading }) => [...named(id, reading.unit, a), reading, ofOne(id, a)]);
  // What is not good stands in sight, wherever it belongs.
  const main = (x) => x[2].quality !== "good" || (!x[3] && !Array.isArray(x[1]));
  const contact = (x) => !main(x) && Array.isArray(x[1]);
  const atMachine = (x) => !main(x) && !contact(x);
  return [
    table("Measured", all.filter(main), a, now),
    table("Computed", derived),
    folded("At the machines", all.filter(atMachine), a, now),
    folded("Contacts, switches and links", all.filter(contact), a, now),
  ];
}

function folded(title, rows, a, now) {
  return rows.length === 0 ? null : h("details", { "data-key": title },
    h("summary", {}, title + ": " + rows.length + ", all good"), table("All good", rows, a, now));
}

// table leaves out the age of readings where it is not told the assessment.
function table(title, rows, a, now) {
  return h("table.readings", {}, h("caption", {}, title),
    h("tbody", {}, rows.map(([name, kind, r]) => h("tr." + r.quality, {},
      h("th", { scope: "row" }, name),
      h("td.num", {}, r.quality === "bad" ? unknown() : said(r.value, kind)),
      h("td", {}, trust(r.quality, r.reason), a ? older(r, a, now) : null)))));
}

// older says when a reading was taken, where that is not this scan.
function older(r, a, now) {
  if (!r.time || r.quality === "good") return null;
  const s = age(r.time, a.time);
  return s >= 2 ? h("span.note", {}, " read at " + moment(r.time, now) + ", " + duration(s) + " ago") : null;
}
