// Hears the live stream and shows the unit. Above all it watches itself: a
// page that hears nothing, whose scans stand still, or that cannot show what
// it received says so and strikes out everything.

import { show, text, h, within } from "./dom.js";
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
const retry = 1000; // ms after which one that was refused is
const ajar = 10000; // ms after which who may not see asks again
const grace = 1000; // ms in which a stream that was just opened may have nothing yet
const listed = 3000; // ms that the list of units counts for; it comes every second

const at = (id) => document.getElementById(id);
const units = new Map(); // name → {a, moved: performance time, newest: its last event}, of those that come whole
const glances = new Map(); // name → what is urgent in a unit
const faults = new Map(); // name → why what the agent sent of a unit, or else, cannot be shown
const state = { heard: -Infinity, heardAt: null, quickest: Infinity, opened: 0, again: Infinity, clock: [0, 0], stale: 3000, names: [], hellos: 0, version: "", renewed: false };
let list = null; // of all units, {units, came: performance time}, where they are shown
let source, chosen = asked().get("unit"), following;
let past = null, early = [], newest = 0, asking = false; // early: entries that came before the past was read

// wanted is the unit that comes whole; where all are shown, or there is only
// one, it is not named.
const wanted = () => (viewing() === "units" ? "" : chosen || "");

function connect() {
  if (source) source.close();
  state.opened = performance.now();
  state.again = state.opened + reopen;
  if (following !== wanted()) { units.clear(); past = list = null; early = []; newest = 0; } // else what is there grows old in sight
  following = wanted();
  faults.clear();
  const mine = source = new EventSource("/api/v1/live?unit=" + encodeURIComponent(following));
  const on = (name, act) => mine.addEventListener(name, (e) => {
    if (mine !== source) return;
    let of = name;
    try {
      const said = JSON.parse(e.data);
      of = said.unit || name;
      act(said);
      faults.delete(of);
      faults.delete(name);
    } catch (err) { fail(of, err); }
    watch();
  });
  on("hello", hello);
  on("beat", beat);
  on("assessment", take);
  on("glance", glance);
  on("units", all);
  on("entry", (e) => { remember([e]); render(); });
  mine.onerror = () => {
    if (mine !== source || mine.readyState !== EventSource.CLOSED) return;
    state.again = performance.now() + retry;
    look();
  };
}

function fail(of, err) {
  faults.set(of, err.message);
  console.error(err);
}

// heard notes that the agent speaks now.
function heard() {
  state.heard = performance.now();
  state.again = state.heard + reopen;
  state.heardAt = new Date();
}

// beat counts only if it comes in time, by two clocks that nobody sets. They
// may drift apart by a thousandth.
function beat(b) {
  const lag = performance.now() - b.running_seconds * 1000; // and what the two began apart
  state.quickest = Math.min(state.quickest + 0.5, lag);
  if (lag - state.quickest <= late) {
    state.clock = [Date.parse(b.time), performance.now()];
    heard();
  }
  if (b.newest_event < newest) { past = null; newest = 0; } // another record, which counts anew
  recall();
}

function hello(m) {
  state.quickest = Infinity; // it may be another agent by now
  past = null; // and what happened meanwhile is not in this stream
  state.hellos++;
  state.names = m.units;
  state.version ||= m.version;
  state.renewed = m.version !== state.version;
  for (const u of units.values()) u.before = true;
  for (const known of [units, glances, faults, spoken]) for (const name of [...known.keys()]) if (!m.units.includes(name)) known.delete(name);
  beat(m);
  state.stale = m.stale_after_seconds * 1000;
  text(at("version"), "strokebank " + m.version);
  offer({ trends: m.trends, machines: m.trends, suppose: m.suppose, several: several() });
  if (remembered() === null) prefer(m.us_units, false);
  else render();
}

// forget leaves nothing for who may not see.
function forget() {
  if (source) source.close();
  source = following = undefined;
  state.again = performance.now() + ajar;
  for (const known of [units, glances, faults, spoken]) known.clear();
  past = list = null;
  early = [];
}

const several = () => state.names.length > 1;

// take is the whole assessment of a unit. How long its scans may already have
// stood still when this stream began, its own time says against the agent's clock.
function take(a) {
  glance(a);
  const known = units.get(a.unit), now = performance.now();
  const age = state.clock[0] + now - state.clock[1] - Date.parse(a.time);
  units.set(a.unit, { a, newest, moved: !known || known.before ? now - Math.abs(age) : known.a.time === a.time ? known.moved : now });
  recall();
  render();
}

function glance(a) {
  if (a.schema !== schema) throw new Error("the agent's data has another form (schema " + a.schema + "): load the page again");
  glances.set(a.unit, a);
  speak(a);
}

function all(m) {
  list = { units: m.units, came: performance.now() };
  render();
}

// current is the unit that the address names, or the only one.
function current() {
  if (chosen !== null) return units.get(chosen);
  return units.size > 0 ? units.values().next().value : undefined;
}

// fault is what cannot be shown of what is in sight.
function fault(u) {
  for (const [of, why] of faults) if (!glances.has(of) || !u || of === u.a.unit) return (glances.has(of) ? of + ": " : "") + why;
  return "";
}

// elsewhere names the other units of which nothing can be told.
function elsewhere(a) {
  const dark = [...faults.keys()].filter((of) => glances.has(of) && of !== a.unit);
  return dark.length ? h("span.uncertain", {}, "; what the agent says of " + dark.join(", ") + " cannot be shown") : null;
}

// watch decides whether what stands on the page may look alive.
function watch() {
  const now = performance.now(), date = new Date(), together = viewing() === "units", u = together ? undefined : current();
  const silent = now - state.heard > silence || (state.heardAt && date - state.heardAt > silence);
  const sick = fault(u), fresh = now - state.opened < grace;
  let why = "";
  if (state.closed) {
    why = "Log in to see this agent's units.";
  } else if (silent) {
    why = state.heardAt ? "No data since " + clock(state.heardAt) + ". The page does not hear from the agent; what stands below is old."
      : "No data yet: the page has not heard from the agent.";
  } else if (sick) {
    why = "Cannot show what the agent sent: " + sick + ". What stands below is old.";
  } else if (together) { // each row says how old it is
    why = !list ? (fresh ? "" : "Waiting for the list of units.") : now - list.came > listed ? "The agent answers, but no list of units comes; what stands below is old." : "";
  } else if (!u && fresh) {
    why = ""; // nothing stands below
  } else if (!u) {
    why = chosen !== null && !state.names.includes(chosen) ? "No unit named " + chosen + " is known here."
      : glances.has(chosen) ? "Waiting for what the agent knows of " + chosen + "." : "No scan yet: the agent answers and has not read the unit.";
  } else if (now - u.moved > state.stale) {
    why = "No data since " + moment(u.a.time, date) + ". The agent answers, but its scans stand still; what stands below is old.";
  }
  document.body.classList.toggle("lost", why !== "");
  at("banner").hidden = why === "";
  text(at("banner"), why);
  text(at("clock"), "now " + clock(date) + " " + zone(date) + (u ? ", last scan " + moment(u.a.time, date) : ""));
  document.title = (why ? "NO DATA" : u ? headline(u.a) : plural(state.names.length, "unit")) + (u ? ", " + u.a.unit : "");
  if (now > state.again && state.closed) {
    state.again = now + ajar;
    look();
  } else if (now > state.again) connect();
  if (state.renewed && !at("ask").open) location.reload(); // the agent's new version has a page of its own
}

function headline(a) {
  const n = needing(a).length;
  return (a.power_lost ? "MAINS LOST, " : "") +
    (a.reserve.known ? "at least " + plural(a.reserve.at_least_cycles, "cycle") : "reserve unknown") +
    (n ? ", " + plural(n, "alarm") : "");
}

function render() {
  if (document.hidden) return;
  try {
    draw();
    faults.delete("page");
  } catch (err) { fail("page", err); }
}

function draw() {
  const together = viewing() === "units", u = together ? undefined : current(), now = new Date();
  const here = turn(together ? null : u ? u.a.unit : chosen, units, now, list && list.units);
  if (together) return headOfAll();
  if (!u) return headOfNone();
  const a = u.a;
  text(at("where"), a.site + ", unit " + a.unit);
  show(at("mains"), mains(a, now));
  show(at("tally"), tally(a), elsewhere(a));
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

// headOfNone leaves nothing of another unit in sight, nor its buttons.
function headOfNone() {
  text(at("where"), chosen ? "Unit " + chosen : "");
  at("head").classList.remove("mainslost");
  for (const id of ["mains", "tally", "reserve-body", "alarms-body", "tank-body", "machines-body", "readings-body", "events-body"]) show(at(id));
}

// headOfAll is the head of the page that shows all units.
function headOfAll() {
  const off = list ? list.units.filter((u) => u.power_lost) : [];
  const priority = (u) => power(glances.get(u.unit) || { alarms: [] }).priority;
  at("head").dataset.priority = off.length ? priority(off[0]) : "high";
  text(at("where"), list ? [...new Set(list.units.map((u) => u.site))].join(", ") : "All units");
  show(at("mains"), off.length ? h("strong", {}, "Mains lost: " + off.map((u) => u.unit + (u.fresh ? "" : " (when it was last read)")).join(", ")) : "");
  show(at("tally"), "");
  at("head").classList.toggle("mainslost", off.length > 0);
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

// speak tells a screen reader of alarms that were not there before. Who does
// not look is told when they look again.
const spoken = new Map(); // unit → keys of the alarms that were told
function speak(a) {
  if (document.hidden || state.closed) return;
  const fresh = needing(a).filter((x) => x.state === "unacknowledged");
  const key = (x) => x.alarm + "/" + x.source + "/" + x.since;
  const told = spoken.get(a.unit) || new Set();
  const added = fresh.filter((x) => !told.has(key(x)));
  spoken.set(a.unit, new Set(fresh.map(key)));
  if (added.length) say((several() ? a.unit + ": " : "") + added.map((x) => x.priority + " alarm: " + x.title + ". " + x.action).join(" "));
}

// say adds words for who listens, without cutting short what is being said.
function say(words) {
  const line = h("p", {}, words);
  at("spoken").append(line);
  setTimeout(() => line.remove(), 30000);
}

// recall fetches what has happened at the unit in sight, once: the stream adds
// to it. It is tried again with the next beat.
async function recall() {
  const u = current(), of = following + " " + state.hellos;
  if (past !== null || asking || !u) return;
  asking = true;
  try {
    const [own, common] = await Promise.all([ask("/api/v1/journal?limit=50&unit=" + encodeURIComponent(u.a.unit)), ask("/api/v1/events?limit=100")]);
    if (of === following + " " + state.hellos) {
      past = [];
      remember([...own.events, ...common.events, ...early.splice(0)]);
      render();
    }
  } catch {
    if (viewing() === "now") show(at("events-body"), h("p", {}, unknown("the history cannot be read now")));
  }
  asking = false;
}

// remember adds entries, of which some may be known already.
function remember(entries) {
  if (past === null) early = [...early, ...entries].slice(-300);
  const u = current();
  const mine = entries.filter((e) => u && (!e.unit || e.unit === u.a.unit));
  if (past === null || mine.length === 0) return;
  const all = new Map([...past, ...mine].map((e) => [e.sequence, e]));
  past = [...all.values()].sort((a, b) => a.sequence - b.sequence).slice(-300);
  newest = u.newest = past.at(-1).sequence;
}

async function ask(path) {
  const got = await fetch(path, within(5000));
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
document.addEventListener("visibilitychange", () => {
  if (performance.now() - state.heard <= silence) glances.forEach(speak);
  render();
  watch();
});
for (const woken of ["resume", "pageshow"]) (woken === "resume" ? document : window).addEventListener(woken, watch);
lead(() => {
  chosen = asked().get("unit");
  if (source && wanted() !== following) connect();
  render();
  watch();
});
prefer(remembered() === "us", false);
begin(() => (current() ? current().a.unit : chosen || ""), (maySee) => {
  state.closed = !maySee;
  if (!maySee) forget();
  else if (!source) connect();
  render();
  watch();
});
setInterval(watch, 250);
