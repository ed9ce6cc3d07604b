// What a reader may do: acknowledge, reset, shelve, take down, note; and log
// in where the agent wants a secret. The agent decides everything; here are
// only the questions and its answers.

import { show, text, h, within } from "./dom.js";

const at = (id) => document.getElementById(id);
const me = { may_act: false, log_in: false, by: "", may_see: true };
let unit = () => "", changed = () => {};

export const mayAct = () => me.may_act;

// buttons are what may be done to an alarm as it stands.
export function buttons(x) {
  if (!me.may_act) return null;
  const can = [];
  if (x.state === "unacknowledged" || x.state === "returned unacknowledged") can.push(["acknowledge", "Acknowledge"]);
  if (x.state === "latched") can.push(["reset", "Reset"]);
  if (x.state === "shelved") can.push(["unshelve", "Take off the shelf"]);
  else if (x.state !== "out of service") can.push(["shelve", "Shelve…"]);
  can.push(["note", "Note…"]);
  return h("p.acts", {}, can.map(([order, label]) => h("button", { type: "button", "data-order": order, "data-alarm": x.alarm,
    "data-source": x.source, "data-title": x.title, "aria-label": label.replace("…", "") + ": " + x.title + (x.source === "unit" ? "" : ", " + x.source) }, label)));
}

// order is the button of one of the other orders, for those who may act.
export function order(name, source, title, label, more) {
  return me.may_act ? h("button", { type: "button", "data-order": name, "data-alarm": "", "data-source": source, "data-title": title, "data-task": (more || {}).task, "data-failure": (more || {}).failure,
    "aria-label": label.replace("…", "") + ": " + title }, label) : null;
}

// noteButton notes something of the unit as a whole.
export function noteButton() {
  return me.may_act ? h("p.acts", {}, h("button", { type: "button", "data-order": "note", "data-alarm": "", "data-source": "unit", "data-title": "this unit" }, "Note…")) : null;
}

// begin asks what the reader may do. which names the unit in sight; again
// shows the page anew.
export async function begin(which, again) {
  unit = which;
  changed = again;
  document.addEventListener("click", (e) => {
    const b = e.target.closest("button[data-order]");
    if (b) start({ ...b.dataset, unit: unit() }); // whatever is in sight when it is sent
  });
  at("log").addEventListener("click", () => (me.by ? leave() : dialog({ order: "login" })));
  at("ask-cancel").addEventListener("click", () => at("ask").close());
  at("ask-form").addEventListener("submit", (e) => {
    e.preventDefault();
    finish();
  });
  await learn();
}

async function learn() {
  try {
    Object.assign(me, { by: "" }, await (await fetch("/api/v1/session", within(5000))).json());
  } catch {
    me.may_act = false;
    setTimeout(learn, 5000);
  }
  at("log").hidden = !me.log_in;
  text(at("log"), me.by ? "log out " + me.by : "log in");
  changed(me.may_see);
}

// look asks, when the stream was refused, whether the log-in has ended, or
// where there was none, whether another page has logged in. Any other refusal
// is tried again in a while.
export async function look() {
  try {
    const now = await (await fetch("/api/v1/session", within(5000))).json();
    if (now.may_see !== me.may_see) await learn();
  } catch { /* the banner says that the agent is not heard */ }
}

let asked = null;

// start does at once what needs no words and asks for the rest. Without a
// log-in it needs at least a name, once.
function start(d) {
  if (!wants[d.order] && name()) send(d, {});
  else dialog(d);
}

// What is asked beside the name; an order that is not here asks for nothing.
const minute = [["15", "15 minutes"], ["60", "1 hour"], ["240", "4 hours"], ["480", "8 hours"], ["1435", "just under 24 hours"]];
const days = [["480", "8 hours"], ["1440", "1 day"], ["4320", "3 days"], ["10080", "7 days"], ["43200", "30 days"], ["129600", "90 days"]];
const wants = {
  login: ["secret"], note: ["reason"], shelve: ["reason", "end"], out_of_service: ["reason", "end"], announce_test: ["reason", "end"],
  set_baseline: ["reason"], exchange_machine: ["reason", "serial", "hours", "starts"], service_done: ["reason"],
  record_failure: ["reason", "mode"], correct_failure: ["reason", "mode"], reject_failure: ["reason"], close_failure: ["reason"],
};
// Codes of ISO 14224, as the rules have them.
const modes = [["FTS", "fails to start on demand"], ["UST", "spurious stop"], ["STP", "fails to stop on demand"], ["BRD", "breakdown"], ["LOO", "low output"],
  ["ELP", "external leakage of oil or air"], ["ELU", "external leakage of what serves the machine"], ["PLU", "plugged or choked"], ["OTH", "other"]];
const ends = { shelve: minute, announce_test: minute, out_of_service: days };
const reasons = { note: "The note", service_done: "What was done", set_baseline: "What was repaired", announce_test: "What is tested",
  record_failure: "What was found", correct_failure: "Its cause", reject_failure: "Why it is none", close_failure: "What was repaired" };

const name = () => me.by || remembered();
function remembered() {
  try { return sessionStorage.getItem("by") || ""; } catch { return ""; }
}

const titles = { acknowledge: "Acknowledge", reset: "Reset", unshelve: "Take off the shelf", shelve: "Shelve", note: "Note", login: "Log in",
  out_of_service: "Out of service", back_in_service: "Back in service", set_baseline: "Baseline anew", exchange_machine: "Another machine stands here", service_done: "Service done",
  announce_test: "Announce a test", end_test: "End the test",
  record_failure: "Record a failure", confirm_failure: "It is a failure", correct_failure: "Another failure than was seen", reject_failure: "It is no failure", close_failure: "Repaired" };

function dialog(d) {
  asked = d;
  text(at("ask-title"), titles[d.order] + (d.title ? ": " + d.title : ""));
  at("ask-by-line").hidden = me.by !== "";
  at("ask-by").value = name();
  for (const k of ["secret", "reason", "end", "mode", "serial", "hours", "starts"]) {
    at("ask-" + k + "-line").hidden = !(wants[d.order] || []).includes(k);
    if (k !== "end" && k !== "mode") at("ask-" + k).value = "";
  }
  text(at("ask-reason-label"), reasons[d.order] || "Reason");
  show(at("ask-end"), (ends[d.order] || minute).map(([value, words]) => h("option", { value }, words)));
  show(at("ask-mode"), modes.map(([code, words]) => h("option", { value: code }, code + ", " + words)));
  text(at("ask-why"), "");
  at("ask").showModal();
}

async function finish() {
  const by = at("ask-by").value.trim(), reason = at("ask-reason").value.trim();
  if (!me.by && !by) return text(at("ask-why"), "Say who you are.");
  try { sessionStorage.setItem("by", by); } catch { /* not remembered then */ }
  if (asked.order === "login") {
    const got = await post("/api/v1/login", { by, secret: at("ask-secret").value });
    at("ask-secret").value = "";
    if (!got.ok) return text(at("ask-why"), got.body.error || "The log-in failed.");
    at("ask").close();
    return learn();
  }
  const body = reason ? { reason } : {}, has = wants[asked.order] || [];
  if (has.includes("reason") && !reason) return text(at("ask-why"), (reasons[asked.order] || "Reason") + " is missing.");
  if (has.includes("serial")) {
    const hours = number("ask-hours"), starts = number("ask-starts");
    if (hours === null || starts === null) return text(at("ask-why"), "Hours and starts are plain numbers, from 0.");
    Object.assign(body, { serial: at("ask-serial").value.trim(), seconds_so_far: hours * 3600, starts_so_far: starts });
  }
  if (asked.task) body.task = asked.task;
  if (has.includes("mode")) body.failure_mode = at("ask-mode").value;
  if (has.includes("end")) body.until = new Date(Date.now() + 60000 * Number(at("ask-end").value)).toISOString();
  text(at("ask-why"), "Asking the agent…");
  const why = await send(asked, body);
  text(at("ask-why"), why);
  if (!why) at("ask").close();
}

// number is what a field holds, 0 where it is empty, null where it is none.
function number(id) {
  const n = Number(at(id).value.trim().replace(",", "."));
  return Number.isFinite(n) && n >= 0 ? n : null;
}

// send gives a command and returns why it was refused, or nothing.
async function send(d, more) {
  const got = await post("/api/v1/commands", { command: d.order, unit: d.unit, alarm: d.alarm, source: d.source, by: name(), failure: d.failure, ...more });
  const why = got.ok ? "" : got.body.why || got.body.error || "The agent did not answer.";
  show(at("done"), why ? h("span", {}, titles[d.order] + (got.status === 504 || !got.status ? ": nobody knows yet what came of it, the journal will tell: " : " was refused: ") + why) : h("span", {}, titles[d.order] + ": done" + (d.title ? ", " + d.title : "") + "."));
  if (got.status === 401) learn();
  return why;
}

async function leave() {
  await post("/api/v1/logout", {});
  learn();
}

async function post(path, body) {
  try {
    const got = await fetch(path, { ...within(45000), method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    return { ok: got.ok, status: got.status, body: await got.json().catch(() => ({})) };
  } catch {
    return { ok: false, status: 0, body: { error: "The agent cannot be reached." } };
  }
}
