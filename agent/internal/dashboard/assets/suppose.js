// What the reserve would be: a form for a changed state or set-up, and the
// agent's answer beside what is measured now and the full charge. The address
// holds what is supposed. Nothing here changes anything.

import { show, h, within } from "./dom.js";
import { duration, grouped, known, measure, plural, quantity } from "./format.js";
import { mark, unknown } from "./mark.js";
import { strokes } from "./reserve.js";
import { address, asked, go } from "./views.js";

const fields = [
  ["pressure", "Pressure", "gauge", (a) => a.limits.set_pressure_pascals, "full charge"],
  ["level", "Oil level", "level", (a) => a.limits.set_level_meters, "full charge"],
  ["temperature", "Air temperature", "temperature", () => null, "as the tank's wall"],
  ["minimum-pressure", "Least pressure for the valves", "gauge", (a) => a.limits.min_pressure_pascals, "as configured"],
  ["set-pressure", "Set pressure", "gauge", (a) => a.limits.set_pressure_pascals, "as configured"],
];
// What the doubts are in an operator's words.
const doubted = { "pressure band": "accuracy of the pressure transmitter", "level band": "accuracy of the level transmitter", "heat exchange": "how much heat returns to the air during the strokes",
  "gas temperature": "how warm the air is", "wall": "how cold the tank's wall may be", "leak": "oil leaking meanwhile", "real gas": "air is no ideal gas" };
// How the agent's own reader of quantities names the units that are shown.
const spelled = { "bar": "bar", "psig": "psi", "m": "m", "in": "in", "°C": "°C", "°F": "°F" };

export function open(el, unit) {
  const v = { el, unit, a: null, got: null, faults: [], began: false, turn: 0, closed: false, valves: [], labelled: "" };
  el.append(h("section.supposing", { "aria-labelledby": "t-suppose" },
    h("h2", { id: "t-suppose" }, "Suppose: the reserve for another state or set-up"),
    h("form", { autocomplete: "off" },
      fields.map(([id, title]) => h("p.field", {}, h("label", { for: "s-" + id }, title, " ", h("span.unit", {})),
        h("input", { id: "s-" + id, name: id, inputmode: "decimal", maxlength: 30 }), h("span.note", { id: "n-" + id }))),
      h("p.field", {}, h("label", { for: "s-add" }, "One valve more"), h("select", { id: "s-add", name: "add" }), h("span.note", {}, "moves with the valve that it is like")),
      h("p.field", {}, h("label", { for: "s-without" }, "One valve less"), h("select", { id: "s-without", name: "without" }), h("span.note", {})),
      h("p.acts", {}, h("button", { type: "submit" }, "Work it out"), h("button", { type: "button", name: "now" }, "As measured now"), h("button", { type: "button", name: "full" }, "Full charge"))),
    h("div.said", { "aria-live": "polite" })), h("section.answer", { "aria-label": "Answer" }));
  v.form = el.querySelector("form");
  v.form.addEventListener("submit", (e) => {
    e.preventDefault();
    go(address("suppose", v.unit, written(v)));
  });
  v.form.elements.namedItem("now").addEventListener("click", () => go(address("suppose", v.unit, measured(v))));
  v.form.elements.namedItem("full").addEventListener("click", () => go(address("suppose", v.unit, { state: "full" })));
  return {
    tell(u) {
      if (!u) return;
      v.a = u.a;
      label(v);
      if (!v.began) begin(v);
      draw(v);
    },
    move() { work(v); },
    close() { v.closed = true; },
  };
}

// begin starts from what is measured now, unless the address says otherwise.
function begin(v) {
  v.began = true;
  const q = asked();
  const given = [...q.keys()].some((k) => k !== "view" && k !== "unit");
  const now = measured(v);
  if (!given && Object.keys(now).length) go(address("suppose", v.unit, now), true);
  else work(v);
}

// measured is the present state in words that a person could have written.
function measured(v) {
  const out = {};
  for (const [id, kind, r] of [["pressure", "gauge", (v.a.readings.find((x) => x.id === "pressure") || {}).reading], ["level", "level", v.a.oil_level]]) {
    const [unit, convert, digits] = measure(kind);
    if (r && r.quality !== "bad" && known(r.value)) out[id] = convert(r.value).toFixed(digits) + " " + spelled[unit];
  }
  return out;
}

// written is the form; a plain number is in the unit that is shown.
function written(v) {
  const out = {};
  for (const [id, , kind] of fields) {
    const t = v.form.elements.namedItem(id).value.trim().replace(",", ".");
    if (t) out[id] = /^[+-]?[\d.]+$/.test(t) ? t + " " + spelled[measure(kind)[0]] : t;
  }
  const like = v.form.elements.namedItem("add").value;
  if (like) out.add = fresh(v) + " like " + like;
  out.without = v.form.elements.namedItem("without").value;
  return Object.values(out).some(Boolean) ? out : { state: "full" };
}

// fresh is a tag that no valve has yet: the next number of the last one.
function fresh(v) {
  const last = v.valves.at(-1) || "XV-0", [, stem, number] = /^(.*?)(\d*)$/.exec(last);
  for (let n = Number(number || 1) + 1; ; n++) if (!v.valves.includes(stem + n)) return stem + n;
}

// fill puts the address into the form.
function fill(v) {
  const q = asked();
  for (const [id] of fields) v.form.elements.namedItem(id).value = q.get(id) || "";
  const like = /like (\S+)$/.exec(q.get("add") || "");
  v.form.elements.namedItem("add").value = like ? like[1] : "";
  v.form.elements.namedItem("without").value = q.get("without") || "";
}

// label names the units that a plain number is in and what is taken where
// nothing is written, and lists the valves.
function label(v) {
  const valves = [...new Set((v.a.reserve.strokes || []).map((k) => k.valve))];
  for (const r of v.a.readings) {
    const m = /^valve\.(.+)\.(?:open|closed)$/.exec(r.id);
    if (m && !valves.includes(m[1])) valves.push(m[1]);
  }
  if (v.valves.length < valves.length) {
    v.valves = valves.sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
    for (const [name, none] of [["add", "none"], ["without", "none"]]) {
      show(v.form.elements.namedItem(name), h("option", { value: "" }, none), valves.map((x) => h("option", { value: x }, name === "add" ? "like " + x : x)));
    }
    fill(v);
  }
  const units = fields.map(([, , kind]) => measure(kind)[0]).join();
  if (units === v.labelled) return;
  v.labelled = units;
  fields.forEach(([id, , kind, of, otherwise], i) => {
    v.el.querySelectorAll(".unit")[i].textContent = "(" + measure(kind)[0] + ")";
    v.el.querySelector("#n-" + id).textContent = "empty: " + otherwise + (of(v.a) ? ", " + quantity(of(v.a), kind) : "");
  });
}

async function work(v) {
  fill(v);
  const q = asked(), mine = ++v.turn;
  q.delete("view");
  q.delete("state");
  q.set("unit", v.unit);
  try {
    const got = await fetch("/api/v1/suppose?" + q, within(10000)), body = await got.json();
    if (v.closed || mine !== v.turn) return;
    v.faults = got.ok ? [] : body.faults || [body.error];
    v.got = got.ok ? body : null;
  } catch {
    if (v.closed || mine !== v.turn) return;
    v.faults = ["The agent cannot be reached."];
    v.got = null;
  }
  draw(v);
}

function draw(v) {
  for (const [id] of fields) {
    const wrong = v.faults.some((f) => f.startsWith(id + ":"));
    v.form.elements.namedItem(id).setAttribute("aria-invalid", String(wrong));
  }
  show(v.el.querySelector(".said"), v.faults.length ? h("ul.faults", {}, v.faults.map((f) => h("li", {}, f))) : v.got ? verdict(v.got) : null);
  show(v.el.querySelector(".answer"), v.got ? answer(v) : null);
}

function verdict({ figures: f, supposed_state: state, changes }) {
  if (!f.known) return h("p.against", {}, "The reserve cannot be known: ", unknown(f.reason));
  const spare = f.at_least_cycles - f.required_cycles;
  return [
    h("div.headline" + (spare < 0 ? ".short" : ""), { "data-priority": "high" },
      h("p.figure.would", {}, spare < 0 ? mark("high", true) : null, h("span.pre", {}, "would be at least "), h("strong", {}, f.at_least_cycles),
        h("span.post", {}, f.at_least_cycles === 1 ? " cycle" : " cycles")),
      h("p.against", {}, h("span", {}, "required " + f.required_cycles), h("span.words", {}, spare < 0 ? plural(-spare, "cycle") + " fewer than required"
        : spare === 0 ? "exactly what is required" : plural(spare, "cycle") + " more than required"))),
    h("p.state", {}, "Supposed, not measured: " + quantity(state.gauge_pressure_pascals, "gauge") + ", oil " + quantity(state.level_meters, "level") + " (" +
      quantity(state.oil_cubic_meters, "volume") + ") under " + quantity(state.gas_cubic_meters, "volume") + " of air at " +
      quantity(state.gas_temperature_celsius + 273.15, "temperature") + "."),
    changes.length ? h("ul.changes", {}, changes.map((c) => h("li", {}, c))) : null,
  ];
}

function answer(v) {
  const { figures: f, figures_of_file_at_full_charge: full, doubts, caution } = v.got, now = v.a.reserve;
  const lines = [
    ["At least", (r) => (known(r.at_least_cycles) ? plural(r.at_least_cycles, "cycle") : null)],
    ["Expected", (r) => (known(r.expected_cycles) ? grouped(r.expected_cycles, 1) + " cycles" : null)],
    ["Full charge", (r) => (known(r.full_charge_cycles) ? grouped(r.full_charge_cycles, 1) + " cycles" : null)],
    ["Required", (r) => plural(r.required_cycles, "cycle")],
    ["Ended by", (r) => r.limit || null],
    ["Usable oil, expected", (r) => (known(r.usable_oil_cubic_meters) ? quantity(r.usable_oil_cubic_meters, "volume") : null)],
    ["Required cycles kept without mains", (r) => (known(r.hold_time_seconds) ? (r.hold_time_seconds ? duration(r.hold_time_seconds) : "not kept now") : null)],
    ["Time to full charge, both machines", (r) => (known(r.time_to_full_seconds) ? duration(r.time_to_full_seconds) : null)],
    ["Time to full charge, one machine", (r) => (known(r.time_to_full_one_machine_seconds) ? duration(r.time_to_full_one_machine_seconds) : null)],
  ];
  const cell = (r, of, kind) => h("td.num" + (kind || ""), {}, of(r) || unknown());
  return [
    h("div.scroll", {}, h("table.compared", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Figure"), h("th.num", { scope: "col" }, "Supposed"), h("th.num", { scope: "col" }, "Measured now"),
      h("th.num", { scope: "col" }, "As configured, full charge"))),
    h("tbody", {}, lines.map(([name, of]) => h("tr", {}, h("th", { scope: "row" }, name), cell(f, of), cell(now, of, ".present"), cell(full, of)))))),
    doubts && doubts.length ? h("table.doubts", {}, h("caption", {}, "What each doubt takes off at least while the others stay; they do not add up"),
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Doubt"), h("th.num", { scope: "col" }, "Takes off"))),
      h("tbody", {}, [...doubts].sort((a, b) => b.cycles - a.cycles).map((d) => h("tr", {}, h("th", { scope: "row" }, d.doubt, h("span.note", {}, doubted[d.doubt] ? ": " + doubted[d.doubt] : "")), h("td.num", {}, known(d.cycles) ? grouped(d.cycles, 2) + "\u00a0cycles" : unknown()))))) : null,
    h("div.strokes", {}, strokes(f, false)),
    h("p.note", {}, caution.replaceAll("\n", " ") + " Supposed figures are for settled air and take heat exchange and leak as configured; those measured now allow for what is not known at this moment and use what was learned."),
  ];
}
