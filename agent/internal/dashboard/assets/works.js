// The machines of a unit: how the pairs share the work, and of one machine
// what its runs delivered, its faults with their evidence, its service, its
// runs, and what may be done. The address holds the machine and the time.

import { show, h, within } from "./dom.js";
import { age, brief, day, duration, figure, grouped, hours, known, measure, moment, percent, plural, quantity } from "./format.js";
import { mark, unknown } from "./mark.js";
import { address, asked } from "./views.js";
import { order } from "./act.js";
import { redundancy } from "./machines.js";
import { course, ill, outputOf, share } from "./health.js";
import { axis } from "./chart.js";
import { duty, output } from "./plot.js";

const spans = { "7d": 7, "30d": 30, "90d": 90, "1y": 365 };
const words = { "7d": "7 days", "30d": "30 days", "90d": "90 days", "1y": "1 year" };
const again = 60e3; // ms between two readings of the history
const perPage = 12;

export function open(el, unit) {
  const v = { el, unit, a: null, machine: null, turn: 0, read: -Infinity, closed: false, got: {}, why: "", more: { runs: [], next: 0 } };
  el.append(h("section.pairs", { "aria-label": "How the pairs share the work" }), h("section.one", { "aria-label": "One machine", tabindex: -1 }));
  v.pairs = el.querySelector(".pairs");
  v.one = el.querySelector(".one");
  const sized = new ResizeObserver(() => draw(v));
  sized.observe(v.one);
  return {
    tell(u, units, now) {
      if (!u) return;
      v.a = u.a;
      v.now = now;
      if (!v.machine) choose(v);
      if (!document.hidden && performance.now() - v.read > again) read(v);
      draw(v);
    },
    move() { choose(v); read(v); draw(v); },
    close() { v.closed = true; sized.disconnect(); },
  };
}

// choose takes the machine of the address, or the first that is not well.
function choose(v) {
  if (!v.a) return;
  const list = v.a.machines, wanted = list.find((m) => m.position === asked().get("machine"));
  const ailing = list.find((m) => { const o = outputOf(v.a, m.position); return !m.available || (o && ill(o)); });
  const m = (wanted || ailing || list[0]).position;
  if (m !== v.machine) Object.assign(v, { machine: m, got: {}, more: { runs: [], next: 0 } });
}

const span = () => (asked().get("span") in spans ? asked().get("span") : "30d");

async function ask(path) {
  const got = await fetch(path, within(20000));
  if (!got.ok) throw new Error((await got.json().catch(() => ({}))).error || "the agent answered " + got.status);
  return got.json();
}

// midnight is the beginning of the local day so many days ago.
const midnight = (days) => { const t = new Date(); return new Date(t.getFullYear(), t.getMonth(), t.getDate() - days); };

async function read(v) {
  const mine = ++v.turn, unit = "unit=" + encodeURIComponent(v.unit), one = unit + "&machine=" + v.machine;
  v.read = performance.now();
  const days = spans[span()], from = "&from=" + midnight(days - 1).toISOString(), step = days > 90 ? 7 * 86400 : 86400;
  const long = "&from=" + midnight(Math.max(days, 90)).toISOString();
  try {
    const [shared, flow, faults, runs] = await Promise.all([ask("/api/v1/duty?" + unit + from + "&step=" + step), ask("/api/v1/output?points=400&" + one + long),
      ask("/api/v1/faults?limit=8&" + one), ask("/api/v1/runs?limit=" + perPage + "&" + one)]);
    if (v.closed || mine !== v.turn) return;
    v.got = { duty: shared, flow, faults, runs };
    v.why = "";
  } catch (err) {
    if (v.closed || mine !== v.turn) return;
    v.why = err.message;
  }
  draw(v);
}

// earlier appends the page of runs before those that are shown.
async function earlier(v) {
  const before = v.more.next || v.got.runs.next, mine = v.turn;
  try {
    const got = await ask("/api/v1/runs?limit=50&unit=" + encodeURIComponent(v.unit) + "&machine=" + v.machine + "&before=" + before);
    if (v.closed || mine !== v.turn) return;
    v.more = { runs: [...v.more.runs, ...got.runs], next: got.next || -1 };
  } catch (err) { v.why = err.message; }
  draw(v);
}

function draw(v) {
  if (!v.a || !v.machine || !v.one.clientWidth) return;
  const m = v.a.machines.find((x) => x.position === v.machine);
  show(v.pairs, pairs(v));
  show(v.one, detail(v, m));
  const more = v.one.querySelector("button.earlier");
  if (more) more.onclick = () => earlier(v);
}

const inside = (el) => el.clientWidth - 2 * parseFloat(getComputedStyle(el).paddingLeft);

function pairs(v) {
  const kinds = { pump: "Pumps", compressor: "Compressors" };
  return [h("h2", {}, "How the pairs share the work"),
    h("p.spans", {}, h("span.label", {}, "By day over the last "), Object.keys(spans).map((k) => [h("a", { href: address("machines", v.unit, { machine: asked().get("machine"), span: k }),
      "aria-current": k === span() && "true" }, words[k]), " "])),
    Object.keys(kinds).map((kind) => {
      const two = v.a.machines.filter((m) => m.kind === kind), p = v.a.pairs.find((x) => x.kind === kind);
      return two.length < 2 ? null : h("div.pairwork", { "data-key": kind },
        h("p.pair" + (p.redundancy === "both" ? "" : ".weak"), {}, redundancy(p, v.a)),
        h("table.shares", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Over the last"), two[0].windows.map((w) => h("th.num", { scope: "col" }, spoken[w.length] || w.length)))),
          h("tbody", {}, two.map((m) => h("tr", {}, h("th", { scope: "row" }, h("a", { href: address("machines", v.unit, { machine: m.position, span: asked().get("span") }), "aria-current": m.position === v.machine && "true" }, m.tag)),
            m.windows.map((w) => h("td.num", {}, known(w.share_of_run_ratio) ? [h("strong", {}, percent(w.share_of_run_ratio)), h("span.note", {}, " " + duration(w.run_seconds) + ", " + plural(w.starts, "start"))]
              : w.run_seconds === 0 ? h("span.quiet", {}, "no run") : unknown())))),
            h("tr.balance", {}, h("th", { scope: "row" }, "Balance"), two[0].windows.map((w, i) => h("td.num", {}, balance(two, i)))))),
        shared(v, two));
    })];
}

const spoken = { "24h": "24\u00a0h", "7d": "7\u00a0d", "30d": "30\u00a0d" };

// balance says which machine does more, and by how much of the pair's work.
function balance([a, b], i) {
  const sa = a.windows[i].share_of_run_ratio, sb = b.windows[i].share_of_run_ratio;
  if (!known(sa) || !known(sb)) return h("span.quiet", {}, "no run");
  const more = sa - sb, part = Math.round(Math.abs(more) * 100);
  return part < 1 ? "even" : (more > 0 ? a : b).tag + " " + part + "\u00a0% more";
}

function shared(v, [a, b]) {
  const d = v.got.duty;
  if (!d) return h("p.none", {}, v.why ? unknown(v.why) : "Loading.");
  const of = (m) => (d.machines.find((x) => x.position === m.position) || { run_seconds: [] }).run_seconds, sum = (l) => l.reduce((x, y) => x + y, 0);
  const c = { width: inside(v.pairs), height: 136, from: Date.parse(d.from), to: Date.parse(d.to), step: d.step_seconds * 1000, over: of(a), under: of(b), dark: d.unobserved_seconds, names: [a.tag, b.tag] };
  const dark = sum(d.unobserved_seconds);
  return [duty(c, "Run time by " + (d.step_seconds > 86400 ? "week" : "day") + ": " + a.tag + " " + duration(sum(c.over)) + ", " + b.tag + " " + duration(sum(c.under)) + " in " + words[span()]), axis(c),
    h("p.note", {}, words[span()] + ": " + a.tag + " ran " + duration(sum(c.over)) + ", " + b.tag + " " + duration(sum(c.under)) + ", by " + (d.step_seconds > 86400 ? "week" : "day") +
      (dark > 0 ? ". Shaded: " + duration(dark) + " that nobody watched or that are not recorded" : "") + ".")];
}

// detail is everything of one machine.
function detail(v, m) {
  const a = v.a, o = outputOf(a, m.position), away = (a.out_of_service || []).find((x) => x.source === m.position);
  return [
    h("h2", {}, "One machine: ", a.machines.map((x, i) => [i ? " " : "", h("a.pick", { href: address("machines", v.unit, { machine: x.position, span: asked().get("span") }), "aria-current": x === m && "true" }, x.tag,
      x.available ? null : mark("low", false))])),
    h("p.headline.machine", {}, h("strong", {}, m.tag), h("span", {}, m.kind + (m.serial ? ", serial " + m.serial : "")),
      h("span", {}, m.state === "unknown" ? unknown(m.reason) : [h("span." + m.state, {}, m.state), m.since ? " " + duration(age(m.since, a.time)) : ""]),
      m.available ? h("span", {}, "can start") : h("span.no", {}, "cannot start" + (m.blocked ? ": " + m.blocked : ""))),
    away ? h("p.weak", {}, "Out of service until " + moment(away.until, v.now) + ": " + away.reason + " (" + away.by + ")") : null,
    h("p.acts", {}, away ? order("back_in_service", m.position, m.tag, "Back in service") : order("out_of_service", m.position, m.tag, "Take out of service…"),
      order("set_baseline", m.position, m.tag, "Repaired: baseline anew…"), order("exchange_machine", m.position, m.tag, "Exchanged…")),
    delivered(v, m, o),
    h("div.columns", {}, h("div", {}, failures(v, m), faults(v, m), runs(v, m)), h("div", {}, serviced(v, m), counts(m))),
  ];
}

// delivered is the chart of what each run delivered and its words.
function delivered(v, m, o) {
  const kind = m.kind === "pump" ? "flow" : "air", [unit, convert] = measure(kind), d = v.got.flow;
  const title = h("h3", {}, m.kind === "pump" ? "Oil delivered by each fill" : "Free air delivered by each charge", h("span.note", {}, " " + unit + ", at the set state"));
  if (!o) return [title, h("p", {}, unknown("the agent tells nothing of its output"))];
  const base = o.baseline_cubic_meters_per_second, f = o.trend.forecast, say = (x) => quantity(x, kind);
  const facts = h("dl.figures.tight", {},
    fact("Delivers", known(share(o)) ? [percent(share(o)), h("span.note", {}, known(base) ? " of its baseline, smoothed" : " of its rating")] : unknown(o.trend.reason), ill(o)),
    fact("Course", [course(o), known(o.trend.slope_per_day) && o.trend.days > 1 ? h("span.note", {}, " " + slope(o.trend)) : null], ill(o)),
    fact("Falls under 70\u00a0%", f.known ? [h("strong", {}, "about " + day(new Date(f.at))), h("span.note", {}, " between " + day(new Date(f.early)) + " and " + (later(f.late) ? "much later" : day(new Date(f.late))))]
      : [h("span.quiet", {}, "no forecast"), h("span.note", {}, f.reason ? ": " + f.reason : "")]),
    fact("Last run", known(o.last_cubic_meters_per_second) ? [say(o.last_cubic_meters_per_second), h("span.note", {}, " ±\u00a0" + grouped(o.last_uncertainty_ratio * 100, 1) + "\u00a0%")] : unknown("none that counts yet")),
    fact("Baseline", [known(base) ? say(base) : unknown(o.baseline_runs + " of 5 runs so far"), h("span.note", {}, known(o.rating_cubic_meters_per_second) ? " rating " + say(o.rating_cubic_meters_per_second) : " no rating given")]));
  if (!d) return [title, facts, h("p.none", {}, v.why ? unknown(v.why) : "Loading.")];
  const from = Date.parse(d.from), now = Date.parse(d.to), rows = d.rows.map((r) => ({ ...r, t: Date.parse(r.time) }));
  const shown = f.known && Date.parse(f.early) - now < 2 * (now - from);
  const to = shown ? now + Math.min(Math.max(Date.parse(f.late) - now, 0.1 * (now - from)) * 1.05, Math.max(1.6 * (Date.parse(f.at) - now), now - from)) : now;
  const lines = known(base) ? [{ value: base, words: "baseline " + say(base) }, { value: base * d.limit_ratio, words: "limit, " + percent(d.limit_ratio) + " of it" }]
    : known(o.rating_cubic_meters_per_second) ? [{ value: o.rating_cubic_meters_per_second, words: "rating " + say(o.rating_cubic_meters_per_second) }] : [];
  const c = { width: inside(v.one), height: innerWidth < 700 ? 170 : 210, from, to, now, rows, lines, convert,
    forecast: shown && known(base) && known(o.trend.level) ? { t: now, value: base * o.trend.level, at: Date.parse(f.at), early: Date.parse(f.early), late: Date.parse(f.late), limit: base * d.limit_ratio } : null };
  const good = rows.reduce((n, r) => n + r.counted, 0), all = rows.reduce((n, r) => n + r.runs, 0);
  return [title, facts, output(c, plural(all, "run") + ", " + good + " of them measured well enough; " + course(o) + (f.known ? "; under the limit about " + day(new Date(f.at)) : "")), axis(c),
    h("p.note", {}, plural(all, "run") + " since " + day(new Date(from)) + ", " + good + " measured well enough to count" + (d.step_seconds ? ", gathered by " + duration(d.step_seconds) : "") +
      (good < all ? "; the others are ticks at the foot" : "") + (c.forecast ? ". Dashed: on as it goes; the bracket on the limit: earliest and latest day" : "") + ".")];
}

const later = (t) => !t || new Date(t).getFullYear() < 1971 || Date.parse(t) - Date.now() > 20 * 365 * 86400e3;
const fact = (name, value, bad) => h("div", {}, h("dt", {}, name), h("dd" + (bad ? ".no" : ""), {}, value));
const slope = (t) => { const w = t.slope_per_day * 700; return (w < 0 ? "\u2212" : "+") + grouped(Math.abs(w), 2) + "\u00a0% a week, " + plural(t.days, "day"); };

const named = { value: "compared", limit: "limit", process: "level or pressure then", this_run: "this run", lifetime_run: "run in its life", last: "last run", cut_in: "cut-in", cut_out: "cut-out",
  z: "significance z", falls_under_limit_at: "falls under the limit", at_the_earliest: "earliest", at_the_latest: "latest", slope_per_day: "change a day" };
const mention = (e) => h("span", {}, (named[e.name] || e.name.replaceAll("_", " ")) + " ", h("strong", {}, figure(e.value, e.unit, e.name)));

function faults(v, m) {
  const d = v.got.faults;
  return [h("h3", {}, "Faults, with what led to them"), !d ? h("p.none", {}, v.why ? unknown(v.why) : "Loading.") : d.faults.length === 0 ? h("p.none", {}, "None recorded.")
    : h("ol.faultlist", {}, d.faults.map((f) => { const up = f.state_now === "unacknowledged" || f.state_now === "acknowledged"; return h("li", { "data-key": f.sequence },
      h("p.what", {}, up ? h("span." + f.priority, {}, mark(f.priority, f.state_now === "unacknowledged")) : null, h("strong", {}, f.title), f.failure_mode ? h("span.code", {}, f.failure_mode + " (ISO\u00a014224)") : null,
        h("span.note", {}, moment(f.time, v.now) + (f.test ? ", in a test" : "") + ", now " + (f.state_now || "no alarm of this unit"))),
      h("p.evidence", {}, f.evidence.length ? f.evidence.map((e, i) => [i ? " \u00b7 " : "", mention(e)]) : h("span.quiet", {}, "A contact of the panel says so.")),
      h("details", {}, h("summary", {}, "What it means"), h("p", {}, f.meaning), h("ul", {}, f.likely_causes.map((c) => h("li", {}, c))))); }))];
}

// failures are what was found of the machine and of the unit, what people have
// made of it, and what they may still say.
function failures(v, m) {
  const list = (v.a.failures || []).filter((f) => f.position === m.position || f.position === "unit").reverse();
  return [h("h3", {}, "Failures"), list.length === 0 ? h("p.none", {}, "None is open.") : h("ol.faultlist.failures", {}, list.map((f) => failure(v, f))),
    h("p.acts", {}, order("record_failure", m.position, m.tag, "Record a failure…"))];
}

function failure(v, f) {
  const { seen, said, repair } = f, title = f.id.split("-")[0], act = (name, label) => order(name, f.position, title, label, { failure: f.id });
  const when = (said || {}).failure_time || (seen || {}).time, mode = (said || {}).failure_mode || (seen || {}).failure_mode;
  return h("li", { "data-key": f.id },
    h("p.what", {}, h("strong", {}, title), h("span.code", {}, mode + " (ISO\u00a014224)"), h("span.note", {}, moment(when, v.now) + (f.position === "unit" ? ", unit" : f.serial ? ", serial " + f.serial : ""))),
    seen ? h("p", {}, "Seen: " + seen.failure_mode + ", " + seen.alarm.replaceAll("_", " ") + (seen.times > 1 ? ", " + seen.times + " times" : "")) : h("p.quiet", {}, "Not seen by the agent: a person reported it."),
    said ? h("p", {}, f.state + " by " + said.by + (said.reason ? ": " + said.reason : "")) : h("p.no", {}, "Nobody has confirmed or rejected it."),
    repair ? h("p", {}, "Repaired " + moment(repair.restored_time, v.now) + ": " + repair.reason + " (" + repair.by + ")") : null,
    h("p.acts", {}, f.state === "confirmed" ? null : act("confirm_failure", "Confirm"), act("correct_failure", "Correct\u2026"),
      f.state === "rejected" || repair ? null : act("reject_failure", "Reject\u2026"), f.state === "confirmed" && !repair ? act("close_failure", "Repaired\u2026") : null));
}

function serviced(v, m) {
  const list = (v.a.service || []).filter((x) => x.source === m.position).concat((v.a.service || []).filter((x) => x.source === "unit"));
  const state = (x) => (x.state === "due" ? h("span.no", {}, mark("low", true), " due") : x.state === "coming due" ? h("span.no", {}, "coming due") : h("span.quiet", {}, "not due"));
  return [h("h3", {}, "Service"), list.length === 0 ? h("p.none", {}, "No task is configured.") : h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Task"), h("th.num", { scope: "col" }, "Interval used"), h("th", { scope: "col" }, "State"))),
    h("tbody", {}, list.map((x) => h("tr", { "data-key": x.source + x.task }, h("th", { scope: "row" }, x.title, h("span.note", {}, x.source === "unit" ? " (unit)" : "")),
      h("td.num", {}, percent(x.used_ratio), h("span.note", {}, " " + ({ run: "run time", starts: "starts", date: "time" }[x.nearest] || ""))),
      h("td", {}, state(x), h("span.note", {}, "; " + (x.last.assumed ? "counted since " : "done ") + (x.last.time ? day(new Date(x.last.time)) : "an unknown day") + (x.last.by ? ", " + x.last.by : "")),
        x.state === "well" ? null : h("span.acts", {}, order("service_done", x.source, x.title, "Done…", { task: x.task })))))))];
}

const counts = (m) => [h("h3", {}, "Counters of " + (m.serial || m.tag)), h("dl.figures.tight", {},
  fact("Run hours", hours(m.lifetime_run_seconds)), fact("Starts", grouped(m.lifetime_starts, 0)),
  fact("In doubt", duration(m.run_doubt_seconds)), fact("Not watched", duration(m.lifetime_unobserved_seconds)),
  known(m.hour_meter_ahead_seconds) ? fact("Panel's hour meter ahead", duration(m.hour_meter_ahead_seconds)) : null,
  known(m.start_counter_ahead) ? fact("Panel's start counter ahead", grouped(m.start_counter_ahead, 0)) : null)];

function runs(v, m) {
  const d = v.got.runs;
  if (!d) return [h("h3", {}, "Runs"), h("p.none", {}, v.why ? unknown(v.why) : "Loading.")];
  const list = [...d.runs, ...v.more.runs], next = v.more.next || d.next;
  return [h("h3", {}, "Runs"), list.length === 0 ? h("p.none", {}, "No completed run recorded.") : h("table.runs", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Began"), h("th.num", { scope: "col" }, "Ran"), h("th", { scope: "col" }, "As"), h("th", { scope: "col" }, "How sure"))),
    h("tbody", {}, list.map((r) => h("tr", { "data-key": r.number }, h("th", { scope: "row" }, brief(new Date(r.start))), h("td.num", {}, duration(r.seconds)), h("td", {}, r.lead ? "lead" : "standby or by hand"),
      h("td", {}, r.cut ? "end not seen" : r.start_seen ? h("span.quiet", {}, "seen whole") : "start not seen", r.doubt_seconds > 0 ? h("span.note", {}, " in doubt: " + duration(r.doubt_seconds)) : null))))),
  next > 0 ? h("p.acts", {}, h("button.earlier", { type: "button" }, "Earlier runs")) : list.length ? h("p.note", {}, "That is all that is recorded.") : null];
}
