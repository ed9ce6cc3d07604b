// What has been seen to work: each protective function with the event that
// proved it and when it is due again; the test under way; records of tests.

import { show, h, within } from "./dom.js";
import { day, duration, moment, plural } from "./format.js";
import { mark, unknown } from "./mark.js";
import { order } from "./act.js";

const perPage = 20;
const again = 60e3; // ms between two readings of the records

export function open(el, unit) {
  const v = { el, unit, a: null, records: null, next: 0, why: "", read: -Infinity, test: "", closed: false };
  return {
    tell(u, units, now) {
      if (!u) return;
      v.a = u.a;
      v.now = now;
      const test = u.a.test ? u.a.test.begin : "";
      if ((test !== v.test || performance.now() - v.read > again) && !document.hidden) read(v);
      v.test = test;
      draw(v);
    },
    move() { draw(v); },
    close() { v.closed = true; },
  };
}

// read asks for the records of tests; with before for those before a number.
async function read(v, before) {
  v.read = performance.now();
  try {
    const got = await fetch("/api/v1/journal?kind=test&limit=" + perPage + "&unit=" + encodeURIComponent(v.unit) + (before ? "&before=" + before : ""), within(10000));
    if (!got.ok) throw new Error((await got.json().catch(() => ({}))).error || "the agent answered " + got.status);
    const page = await got.json();
    if (v.closed) return;
    v.records = (before ? v.records : []).concat(page.events.filter((e) => e.record));
    v.next = page.next;
    v.why = "";
  } catch (err) { v.why = err.message; }
  draw(v);
}

function draw(v) {
  if (!v.a || v.closed) return;
  show(v.el, functions(v), testing(v));
  const more = v.el.querySelector("button.earlier");
  if (more) more.onclick = () => read(v, v.next);
}

// named puts the site's own name where the agent says the position.
const named = (title, a) => (a.machines || []).reduce((t, m) => t.replace(new RegExp("^" + m.position + "\\b"), m.tag), title).replace(/^./, (c) => c.toUpperCase());

const failed = (p) => p.last_failed && (!p.last_proven || Date.parse(p.last_failed) > Date.parse(p.last_proven));
const rank = (p) => (failed(p) ? 0 : p.overdue ? 1 : p.proven ? 3 : 2);

function functions(v) {
  const list = [...(v.a.proof || [])].sort((x, y) => rank(x) - rank(y) || Date.parse(x.due || 8.64e15) - Date.parse(y.due || 8.64e15));
  const count = (n) => list.filter((p) => rank(p) === n).length;
  const columns = [["Function"], ["Last seen to work"], ["By"], ["Due"]];
  const cell = (i, ...what) => h("td", { role: "cell", "data-label": columns[i][0] }, h("span", {}, what));
  return h("section", { "aria-labelledby": "t-proof" }, h("h2", { id: "t-proof" }, "What has been seen to work"),
    h("p.tally", {}, [[count(3), "proven"], [count(2), "not proven yet"], [count(1), "overdue"], [count(0), "failed when last needed"]].filter(([n], i) => n || i === 0)
      .map(([n, w], i) => [i ? " \u00b7 " : "", h(i > 1 ? "span.no" : "span", {}, n + " " + w)]), " of " + plural(list.length, "function")),
    list.length === 0 ? h("p.none", {}, "The agent tells of no protective function.") : h("table.wide.proofs", { role: "table" },
      h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, columns.map(([name]) => h("th", { scope: "col", role: "columnheader" }, name)))),
      h("tbody", { role: "rowgroup" }, list.map((p) => h("tr", { role: "row", "data-key": p.function },
        h("th", { scope: "row", role: "rowheader" }, named(p.title, v.a)),
        cell(1, p.proven ? [moment(p.last_proven, v.now), h("span.note", {}, " " + plural(p.times_proven, "time"))] : h("span.unknown", {}, "not proven yet"),
          failed(p) ? h("span.failed", {}, mark("medium", true), " failed " + moment(p.last_failed, v.now) + ": " + (p.failed_because || "")) : null),
        cell(2, p.proven_by || h("span.quiet", {}, "nothing yet")),
        cell(3, due(p, v)))))));
}

function due(p, v) {
  if (!p.due) return h("span.quiet", {}, "never");
  const left = (Date.parse(p.due) - Date.parse(v.a.time)) / 1000;
  return p.overdue ? h("span.overdue", {}, mark("low", true), " overdue since " + day(new Date(p.due)) + ", " + duration(-left))
    : [day(new Date(p.due)), h("span.note", {}, " in " + duration(left))];
}

const outcomes = ["pass", "fail", "not seen"];
const first = ["fail", "pass", "not seen"];
const shapes = { pass: "\u2713", fail: "\u2715", "not seen": "\u2013" };
const tally = (t) => outcomes.map((o) => t.results.filter((r) => r.outcome === o).length + "\u00a0" + o).join(", ");

function sheet(t, v) {
  return h("table.sheet", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Function"), h("th", { scope: "col" }, "Outcome"), h("th", { scope: "col" }, "By"))),
    h("tbody", {}, [...t.results].sort((x, y) => first.indexOf(x.outcome) - first.indexOf(y.outcome)).map((r) => h("tr." + r.outcome.replace(" ", ""), {},
      h("th", { scope: "row" }, named(r.title, v.a)), h("td", {}, h("span.outcome", {}, h("span", { "aria-hidden": "true" }, shapes[r.outcome] + " "), r.outcome)), h("td", {}, r.by || "")))));
}

function testing(v) {
  const t = v.a.test;
  return h("section", { "aria-labelledby": "t-tests" }, h("h2", { id: "t-tests" }, "Tests"),
    t ? h("div.undertest", {}, h("p.weak", {}, "A test is under way since " + moment(t.begin, v.now) + ", announced by " + t.by + (t.note ? ": " + t.note : "") + ". What happens until its end is marked as a test. So far " + tally(t) + "."),
      h("p.acts", {}, order("end_test", "unit", "the test", "End the test")), sheet(t, v))
      : h("div", {}, h("p", {}, "No test is under way. An announced test keeps a record of every function that was seen to pass or fail; it does nothing to the plant. Whoever tests works at the panel, by the site's own procedure."),
        h("p.acts", {}, order("announce_test", "unit", "this unit", "Announce a test…"))),
    h("h3", {}, "Records"), v.why ? h("p", {}, unknown(v.why)) : null,
    v.records === null ? (v.why ? null : h("p.none", {}, "Loading.")) : v.records.length === 0 ? h("p.none", {}, "No test has been ended yet.") : h("ol.records", {}, v.records.map((e) => h("li", { "data-key": e.id },
      h("details", {}, h("summary", {}, moment(e.record.begin, v.now) + " to " + moment(e.record.end, v.now) + ", " + e.record.by + (e.record.note ? ": " + e.record.note : "") + " \u00b7 ",
        h(e.record.results.some((r) => r.outcome === "fail") ? "strong.no" : "strong", {}, tally(e.record))), sheet(e.record, v))))),
    v.next > 0 ? h("p.acts", {}, h("button.earlier", { type: "button" }, "Earlier tests")) : null);
}
