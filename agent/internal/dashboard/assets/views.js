// Leads from view to view. The address holds the view and all that was chosen
// in it; going back in the browser goes back here. A view other than the
// overview loads its script when it is first looked at.

import { show, text, h } from "./dom.js";

const titles = { units: "All units", now: "Now", machines: "Machines", trends: "Trends", proof: "Proof", suppose: "Suppose", journal: "Journal" };
const scripts = {
  units: () => import("./units.js"),
  trends: () => import("./trends.js"),
  suppose: () => import("./suppose.js"),
  machines: () => import("./works.js"),
  proof: () => import("./proof.js"),
  journal: () => import("./journal.js"),
};
const at = (id) => document.getElementById(id);
const has = { trends: false, suppose: false, several: false, machines: false, proof: true, journal: true };
const kept = new Set(["trends", "suppose", "journal"]); // what was and what would be stays true without a stream
let arrived = () => {}, before = location.search, name = "", open = null, openUnit = null, opening = 0;

export const asked = () => new URLSearchParams(location.search);

// viewing is the view of the address: without one the overview. Where there are
// several units and none is named it is the list of them, which a single one
// does not have.
export function viewing() {
  const v = asked().get("view");
  if (has.several && (v === "units" || asked().get("unit") === null)) return "units";
  return v in titles && v !== "units" ? v : "now";
}

// address is a link to a view of a unit with what else is chosen there.
export function address(view, unit, chosen) {
  const q = new URLSearchParams();
  if (view !== "now") q.set("view", view);
  if (unit && view !== "units") q.set("unit", unit);
  for (const [k, v] of Object.entries(chosen || {})) if (v !== "" && v !== null && v !== undefined) q.set(k, v);
  return "?" + q;
}

// go changes the address as a link would; instead replaces the present one.
export function go(to, instead) {
  history[instead ? "replaceState" : "pushState"](null, "", to);
  before = location.search;
  arrive();
}

// arrive goes on in the view that is open where the address stays in it.
function arrive() {
  if (open && open.move && viewing() === name && asked().get("unit") === openUnit) open.move();
  else name = "?";
  arrived();
}

// lead lets links inside the page lead without loading it anew.
export function lead(then) {
  arrived = then;
  addEventListener("popstate", () => {
    if (location.search !== before) arrive();
    before = location.search;
  });
  document.addEventListener("click", (e) => {
    const a = e.target.closest('a[href^="?"]');
    if (!a || e.button || e.ctrlKey || e.metaKey || e.shiftKey || e.altKey) return;
    e.preventDefault();
    go(a.getAttribute("href"));
    if (a.closest("#ways, #other table")) at(viewing() === "now" ? "main" : "other").focus();
  });
}

export function offer(what) { Object.assign(has, what); }

// turn shows the view of the address and tells it what is new. It returns
// whether that is the overview, which is drawn elsewhere.
export function turn(unit, units, now, list) {
  const v = viewing();
  ways(v, unit);
  if (v !== name) {
    name = v;
    at("main").hidden = v !== "now";
    at("other").hidden = v === "now";
    at("other").className = v + (kept.has(v) ? " kept" : "");
    text(at("skip"), v === "now" ? "To the reserve" : "To the " + titles[v].toLowerCase());
    at("skip").setAttribute("href", v === "now" ? "#reserve" : "#other");
    if (open) open.close();
    open = null;
    at("other").replaceChildren(...(v === "now" ? [] : [h("section", {}, h("p.none", {}, "Loading."))]));
    if (v !== "now" && (unit || v === "units")) start(v, unit, ++opening);
    else if (v !== "now") name = "?"; // no unit is known yet
  }
  if (open) open.tell(units.get(unit), units, now, list);
  return v === "now";
}

async function start(v, unit, turnNumber) {
  try {
    const script = await scripts[v]();
    if (turnNumber !== opening || v !== name) return;
    at("other").replaceChildren();
    open = script.open(at("other"), unit);
    openUnit = asked().get("unit");
    arrived();
  } catch (err) {
    console.error(err);
    show(at("other"), h("section", {}, h("p.none", {}, "This view cannot be loaded now.")));
  }
}

// ways are the links from view to view.
function ways(v, unit) {
  const list = Object.keys(titles).filter((k) => (k === "now" ? true : k === "units" ? has.several : has[k]) && (unit || k === "units"));
  at("ways").hidden = list.length < 2;
  show(at("ways"), h("ul", {}, list.map((k) => h("li", { "data-key": k },
    h("a", { href: k === "units" ? "?view=units" : address(k, unit), "aria-current": k === v && "page" }, titles[k])))));
}
