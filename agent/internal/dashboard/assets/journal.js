// The journal, newest first, filtered by what stands in the address.

import { show, h, within } from "./dom.js";
import { moment, plural } from "./format.js";
import { mark, unknown } from "./mark.js";
import { address, asked, go } from "./views.js";
import { words } from "./events.js";

const kinds = { alarm: "alarms", "command,note,test": "what people did", "machine,fill,charge": "machines", "proof,test": "proof and tests", "draw,panel,air_loss": "draws and panel", "agent,clock,gap,configuration": "the agent itself" };
const names = ["kind", "source", "from", "to"];
const perPage = 60;

export function open(el, unit) {
  const v = { el, unit, a: null, list: null, next: 0, why: "", turn: 0, newest: 0, asked: 0, earlier: false, more: false, closed: false };
  el.append(h("section", { "aria-labelledby": "t-journal" }, h("h2", { id: "t-journal" }, "Journal"),
    h("form.filters", { autocomplete: "off" },
      h("label", {}, "About ", h("select", { name: "kind" }, h("option", { value: "" }, "everything"), Object.entries(kinds).map(([k, w]) => h("option", { value: k }, w)))),
      h("label", {}, "Of ", h("select", { name: "source" })),
      h("label", {}, "From ", h("input", { type: "date", name: "from" })), h("label", {}, "to the end of ", h("input", { type: "date", name: "to" }))),
    h("div.found", {})));
  v.form = el.querySelector("form");
  v.form.addEventListener("submit", (e) => e.preventDefault());
  v.form.addEventListener("change", () => go(address("journal", v.unit, Object.fromEntries(names.map((n) => [n, v.form.elements.namedItem(n).value])))));
  return {
    tell(u) {
      if (!u) return;
      const first = !v.a;
      v.a = u.a;
      v.more = u.newest > v.newest;
      if (first) fill(v);
      if (first || (v.more && !v.earlier && performance.now() - v.asked > 1000)) read(v, 0, u.newest);
      else if (v.more && v.earlier) draw(v); // who reads earlier pages is left alone, and told
    },
    move() { fill(v); read(v); },
    close() { v.closed = true; },
  };
}

function fill(v) {
  const q = asked(), list = v.form.elements.namedItem("source"), picked = q.get("source");
  const sources = [["", "anything"], ["unit", "the unit"], ...v.a.machines.map((m) => [m.position, m.tag]), ["pumps", "the pumps"], ["compressors", "the compressors"], ["agent", "the agent"]];
  if (picked && !sources.some(([k]) => k === picked)) sources.push([picked, picked]);
  show(list, sources.map(([k, w]) => h("option", { value: k }, w)));
  for (const n of names) v.form.elements.namedItem(n).value = q.get(n) || "";
}

async function read(v, before, newest) {
  v.earlier = Boolean(before);
  v.asked = performance.now();
  if (newest) v.newest = newest;
  const q = asked(), mine = ++v.turn, want = new URLSearchParams({ unit: v.unit, limit: perPage });
  const local = (text, days) => { const [y, m, d] = text.split("-").map(Number); return new Date(y, m - 1, d + days).toISOString(); };
  if (q.get("kind")) want.set("kind", q.get("kind"));
  if (q.get("source")) want.set("source", q.get("source"));
  try {
    if (q.get("from")) want.set("from", local(q.get("from"), 0));
    if (q.get("to")) want.set("to", local(q.get("to"), 1));
    if (before) want.set("before", before);
    const got = await fetch("/api/v1/journal?" + want, within(10000)), body = await got.json();
    if (!got.ok) throw new Error(body.error || "the agent answered " + got.status);
    if (v.closed || mine !== v.turn) return;
    v.list = (before ? v.list : []).concat(body.events);
    v.next = body.next;
    v.why = "";
  } catch (err) {
    if (v.closed || mine !== v.turn) return;
    v.why = err.message;
  }
  draw(v);
}

function draw(v) {
  const now = new Date();
  show(v.el.querySelector(".found"), h("p.unseen", { role: "status" }, v.list && !v.why ? plural(v.list.length, "entry", "entries") : ""), v.earlier && v.more ? h("p.acts", {}, h("button.newer", { type: "button" }, "There is more by now: back to the newest")) : null, v.why ? h("p", {}, unknown(v.why)) : null, v.list && v.list.length === 0 ? h("p.none", {}, "Nothing of that kind is recorded.") : null,
    v.list ? h("ol.events.long", {}, v.list.map((e) => h("li", { "data-key": e.id }, h("time", { datetime: e.time }, moment(e.time, now), e.clock_trusted ? "" : " (clock not trusted)"),
      h("span", {}, e.kind === "alarm" && e.to === "unacknowledged" ? mark(e.priority, true) : null, words(e, v.a))))) : h("p.none", {}, "Loading."),
    v.next > 0 ? h("p.acts", {}, h("button.earlier", { type: "button" }, "Earlier")) : null);
  const more = v.el.querySelector("button.earlier");
  if (more) more.onclick = () => read(v, v.next);
  const newer = v.el.querySelector("button.newer");
  if (newer) newer.onclick = () => read(v);
}
