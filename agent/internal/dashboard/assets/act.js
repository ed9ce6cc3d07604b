// What a reader may do: acknowledge, reset, shelve, take down, note; and log
// in where the agent wants a secret. The agent decides everything; here are
// only the questions and its answers.

import { show, text, h } from "./dom.js";

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
    if (b) start(b.dataset);
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
    Object.assign(me, { by: "" }, await (await fetch("/api/v1/session")).json());
  } catch { me.may_act = false; }
  at("log").hidden = !me.log_in;
  text(at("log"), me.by ? "log out " + me.by : "log in");
  changed(me.may_see);
}

let asked = null;

// start does at once what needs no words and asks for the rest. Without a
// log-in it needs at least a name, once.
function start(d) {
  if ((d.order === "acknowledge" || d.order === "reset" || d.order === "unshelve") && name()) send(d, {});
  else dialog(d);
}

const name = () => me.by || remembered();
function remembered() {
  try { return sessionStorage.getItem("by") || ""; } catch { return ""; }
}

const titles = { acknowledge: "Acknowledge", reset: "Reset", unshelve: "Take off the shelf", shelve: "Shelve", note: "Note", login: "Log in" };

function dialog(d) {
  asked = d;
  text(at("ask-title"), titles[d.order] + (d.title ? ": " + d.title : ""));
  at("ask-by-line").hidden = me.by !== "";
  at("ask-by").value = name();
  at("ask-secret-line").hidden = d.order !== "login";
  at("ask-secret").value = "";
  at("ask-reason-line").hidden = d.order !== "shelve" && d.order !== "note";
  at("ask-reason").value = "";
  at("ask-end-line").hidden = d.order !== "shelve";
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
  const body = reason ? { reason } : {};
  if (asked.order === "shelve") body.until = new Date(Date.now() + 60000 * Number(at("ask-end").value)).toISOString();
  text(at("ask-why"), "Asking the agent…");
  const why = await send(asked, body);
  text(at("ask-why"), why);
  if (!why) at("ask").close();
}

// send gives a command and returns why it was refused, or nothing.
async function send(d, more) {
  const got = await post("/api/v1/commands", { command: d.order, unit: unit(), alarm: d.alarm, source: d.source, by: name(), ...more });
  const why = got.ok ? "" : got.body.why || got.body.error || "The agent did not answer.";
  show(at("done"), why ? h("span", {}, titles[d.order] + " was refused: " + why) : h("span", {}, titles[d.order] + ": done" + (d.title ? ", " + d.title : "") + "."));
  if (got.status === 401) learn();
  return why;
}

async function leave() {
  await post("/api/v1/logout", {});
  learn();
}

async function post(path, body) {
  try {
    const got = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    return { ok: got.ok, status: got.status, body: await got.json().catch(() => ({})) };
  } catch {
    return { ok: false, status: 0, body: { error: "The agent cannot be reached." } };
  }
}
