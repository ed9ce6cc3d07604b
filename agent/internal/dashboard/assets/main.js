// Hears the live stream and shows the unit. Above all it watches itself: a
// page that hears nothing, whose scans stand still, or that cannot show what
// it received says so and strikes out everything.

import { show, text, h } from "./dom.js";
import { chooseUS, clock, moment, plural, zone } from "./format.js";
import { mark, unknown } from "./mark.js";
import { reserve } from "./reserve.js";
import { tank } from "./tank.js";
import { alarms, needing } from "./alarms.js";
import { machines } from "./machines.js";
import { readings } from "./readings.js";
import { events } from "./events.js";
import { begin, look } from "./act.js";
import { asked, lead, offer, turn, viewing } from "./views.js";

const schema = 1;
const silence = 2000; // ms without a word after which the stream is lost; it beats twice a second
const late = 2000; // ms that a beat may come later than the quickest one did; a backlog that comes at last is no news
const reopen = 8000; // ms after which a silent stream is opened anew

const at = (id) => document.getElementById(id);
const units = new Map(); // name → {a, moved: performance time, stale: ms}, of those that come whole
const glances = new Map(); // name → what is urgent in a unit
const state = { heard: -Infinity, heardAt: null, quickest: Infinity, opened: 0, stale: 3000, fault: "", version: "" };
let source, chosen = asked().get("unit"), following;
let past = null, asking = false;

function connect() {
  if (source) source.close();
  state.opened = performance.now();
  if (following !== (chosen || "")) units.clear(); // else what is there grows old in sight
  following = chosen || "";
  source = new EventSource("/api/v1/live?unit=" + encodeURIComponent(following));
  const on = (name, act) => source.addEventListener(name, (e) => {
    try { act(JSON.parse(e.data)); } catch (err) { fail(err); }
    watch();
  });
  on("hello", hello);
  on("beat", beat);
  on("assessment", take);
  on("glance", glance);
  source.onerror = () => { if (source.readyState === EventSource.CLOSED) look(); };
}

// heard notes that the agent speaks now.
function heard() {
  state.heard = performance.now();
  state.heardAt = new Date();
}

// beat counts only if it comes in time, by two clocks that nobody sets. They
// may drift apart by a thousandth.
function beat(b) {
  const lag = performance.now() - b.running_seconds * 1000; // and what the two began apart
  state.quickest = Math.min(state.quickest + 0.5, lag);
  if (lag - state.quickest <= late) heard();
  recall(b.newest_event);
  if (viewing() === "units") render(); // the list ages though nothing urgent changes
}

function hello(m) {
  state.quickest = Infinity; // it may be another agent by now
  beat(m);
  state.stale = m.stale_after_seconds * 1000;
  text(at("version"), "strokebank " + m.version);
  if (remembered() === null) prefer(m.us_units, false);
  offer({ trends: m.trends, machines: m.trends, suppose: m.suppose, several: Math.max(m.units, glances.size) > 1 });
}

function take(a) {
  glance(a);
  const known = units.get(a.unit);
  const same = known && known.a.time === a.time;
  units.set(a.unit, { a, moved: same ? known.moved : performance.now() });
  state.fault = "";
  render();
}

function glance(a) {
  if (a.schema !== schema) throw new Error("the agent's data has another form (schema " + a.schema + "): load the page again");
  glances.set(a.unit, a);
  if (glances.size > 1) offer({ several: true });
  speak(a);
  if (viewing() === "units") render();
}

function fail(err) {
  state.fault = err.message;
  console.error(err);
}

// current is the unit that the address names, or the only one.
function current() {
  if (chosen !== null) return units.get(chosen);
  return units.size > 0 ? units.values().next().value : undefined;
}

// watch decides whether what stands on the page may look alive.
function watch() {
  const now = performance.now(), date = new Date(), all = viewing() === "units", u = all ? undefined : current();
  const silent = now - state.heard > silence || (state.heardAt && date - state.heardAt > silence);
  let why = "";
  if (state.closed) {
    why = "Log in to see this agent's units.";
  } else if (silent) {
    why = state.heardAt ? "No data since " + clock(state.heardAt) + ". The page does not hear from the agent; what stands below is old."
      : "No data yet: the page has not heard from the agent.";
  } else if (state.fault) {
    why = "Cannot show what the agent sent: " + state.fault + ". What stands below is old.";
  } else if (all && glances.size > 0) {
    why = ""; // each row says how old it is
  } else if (!u) {
    why = chosen !== null && glances.size > 0 && !glances.has(chosen) ? "No unit named " + chosen + " is known here."
      : glances.has(chosen) ? "Waiting for what the agent knows of " + chosen + "." : "No scan yet: the agent answers and has not read the unit.";
  } else if (now - u.moved > state.stale) {
    why = "No data since " + moment(u.a.time, date) + ". The agent answers, but its scans stand still; what stands below is old.";
  }
  document.body.classList.toggle("lost", why !== "");
  at("banner").hidden = why === "";
  text(at("banner"), why);
  text(at("clock"), "now " + clock(date) + " " + zone(date) + (u ? ", last scan " + moment(u.a.time, date) : ""));
  document.title = (why ? "NO DATA" : u ? headline(u.a) : plural(glances.size, "unit")) + (u ? ", " + u.a.unit : "");
  if (silent && !state.closed && now - Math.max(state.heard, state.opened) > reopen) connect();
}

function headline(a) {
  const n = needing(a).length;
  return (a.power_lost ? "MAINS LOST, " : "") +
    (a.reserve.known ? "at least " + plural(a.reserve.at_least_cycles, "cycle") : "reserve unknown") +
    (n ? ", " + plural(n, "alarm") : "");
}

function render() {
  if (document.hidden) return;
  const u = current(), now = new Date();
  const here = turn(viewing() === "units" ? null : u ? u.a.unit : chosen, units, now);
  if (viewing() === "units") return together();
  if (!u) return;
  const a = u.a;
  text(at("where"), a.site + ", unit " + a.unit);
  show(at("mains"), mains(a, now));
  show(at("tally"), tally(a));
  at("head").classList.toggle("mainslost", a.power_lost);
  at("head").dataset.priority = power(a).priority;
  if (!here) return;
  show(at("reserve-body"), reserve(a, now));
  show(at("alarms-body"), alarms(a, now));
  show(at("tank-body"), tank(a));
  show(at("machines-body"), machines(a));
  show(at("readings-body"), readings(a, now));
  show(at("events-body"), events(past, a, now));
}

// together is the head of the page that shows all units.
function together() {
  const all = [...glances.values()], off = all.filter((a) => a.power_lost), dark = off.map((a) => a.unit);
  at("head").dataset.priority = off.length ? power(off[0]).priority : "high";
  text(at("where"), [...new Set(all.map((a) => a.site))].join(", ") || "All units");
  show(at("mains"), dark.length ? h("strong", {}, "Mains lost: " + dark.join(", ")) : "");
  show(at("tally"), "");
  at("head").classList.toggle("mainslost", dark.length > 0);
}

// power is the alarm of the lost mains, where the unit has one.
const power = (a) => a.alarms.find((x) => x.alarm === "mains_lost" && x.state !== "normal") || { priority: "high" };

function mains(a, now) {
  if (a.power_lost) {
    const { since, priority } = power(a);
    return [mark(priority, true), h("strong", {}, "Mains lost"), h("span", {}, ": the unit lives on what is stored" +
      (since ? ", since " + moment(since, now) : ""))];
  }
  const r = (a.readings.find((x) => x.id === "mains") || {}).reading;
  const clockNote = a.clock_trusted ? null : h("span.uncertain", {}, "; the agent's clock is not trusted");
  if (!r) return [h("span", {}, "mains not measured"), clockNote];
  if (r.quality === "bad") return [h("span", {}, "mains "), unknown(r.reason), clockNote];
  return [h("span", {}, r.value !== 0 ? "mains present" : "mains absent"), clockNote];
}

// tally leads from the head to the alarms.
function tally(a) {
  const list = needing(a);
  if (list.length === 0) return h("span", {}, "no alarm");
  return h("a", { href: viewing() === "now" ? "#alarms" : "?unit=" + encodeURIComponent(a.unit) }, mark(list[0].priority, list[0].state !== "acknowledged"),
    plural(list.length, "alarm") + ", most urgent: " + list[0].priority);
}

// speak tells a screen reader of alarms that were not there before.
const spoken = new Map(); // unit → keys of the alarms that were told
function speak(a) {
  const fresh = needing(a).filter((x) => x.state === "unacknowledged");
  const key = (x) => x.alarm + "/" + x.source + "/" + x.since;
  const told = spoken.get(a.unit) || new Set();
  const added = fresh.filter((x) => !told.has(key(x)));
  spoken.set(a.unit, new Set(fresh.map(key)));
  if (added.length) text(at("spoken"), (glances.size > 1 ? a.unit + ": " : "") + added.map((x) => x.priority + " alarm: " + x.title + ". " + x.action).join(" "));
}

// recall fetches the events that this page has not seen.
async function recall(newest) {
  const last = past && past.length ? past.at(-1).sequence : 0;
  if (asking || (past && newest === last)) return;
  asking = true;
  const more = last > 0 && newest > last;
  try {
    const got = await ask("/api/v1/events" + (more ? "?after=" + last + "&limit=500" : "?limit=100"));
    past = (more ? past : []).concat(got.events).slice(-300);
    render();
  } catch {
    show(at("events-body"), h("p", {}, unknown("the history cannot be read now")));
  }
  asking = false;
}

async function ask(path) {
  const got = await fetch(path);
  if (!got.ok) throw new Error(path + " gave " + got.status);
  return got.json();
}

function remembered() {
  try { return localStorage.getItem("units"); } catch { return null; }
}

function prefer(us, keep) {
  chooseUS(us);
  at("metric").setAttribute("aria-pressed", String(!us));
  at("us").setAttribute("aria-pressed", String(us));
  if (keep) try { localStorage.setItem("units", us ? "us" : "metric"); } catch { /* not remembered then */ }
  render();
}

at("metric").addEventListener("click", () => prefer(false, true));
at("us").addEventListener("click", () => prefer(true, true));
document.addEventListener("visibilitychange", () => { render(); watch(); });
for (const woken of ["resume", "pageshow"]) (woken === "resume" ? document : window).addEventListener(woken, watch);
lead(() => {
  chosen = asked().get("unit");
  if (source && (chosen || "") !== following) connect();
  render();
  watch();
});
prefer(remembered() === "us", false);
begin(() => (current() ? current().a.unit : chosen || ""), (maySee) => {
  state.closed = !maySee;
  if (maySee) connect();
  render();
  watch();
});
setInterval(watch, 250);
