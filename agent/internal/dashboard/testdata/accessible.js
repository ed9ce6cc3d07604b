// Looks at a page as the success criteria of WCAG 2.2 do, as far as a program
// can. Each function is one check and gives what it finds wrong, in words. It
// is evaluated in the page by a11y_test.go, which names the criterion of each.
(() => {
  const all = (selector, root) => [...(root || document).querySelectorAll(selector)];
  const seen = (e) => e.checkVisibility({ visibilityProperty: true, opacityProperty: true }) && e.getClientRects().length > 0;
  // What is there for screen readers only is cut to 1 px, itself or with what it stands in.
  const cut = (e) => {
    for (let p = e; p && p !== document.body; p = p.parentElement) {
      const s = getComputedStyle(p);
      if (s.clipPath.startsWith("inset") && s.position === "absolute" && p.clientWidth <= 1) return true;
    }
    return false;
  };
  const shown = (e) => { const b = e.getBoundingClientRect(); return seen(e) && (b.width > 1 || b.height > 1) && !cut(e); };
  const name = (e) => e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + (e.getAttribute("class") ? "." + e.getAttribute("class").trim().split(/\s+/).join(".") : "") +
    " \"" + (e.getAttribute("aria-label") || e.textContent || "").trim().replace(/\s+/g, " ").slice(0, 40) + "\"";
  const words = (e) => (e ? e.textContent.trim() : "");
  const modal = () => document.querySelector("dialog:modal");
  const inModal = (e) => !modal() || modal().contains(e);
  const controls = 'a[href], button, input:not([type="hidden"]), select, textarea, summary, [tabindex]:not([tabindex="-1"]), [role="button"], [role="link"], [role="checkbox"], [role="slider"], [role="tab"]';
  const active = (selector) => all(selector).filter((e) => shown(e) && !e.disabled && !e.closest("[inert]") && inModal(e));
  const roles = new Set(("alert alertdialog button cell checkbox columnheader combobox complementary contentinfo banner definition dialog figure form graphics-document grid gridcell group heading img image " +
    "link list listbox listitem log main marquee math meter menu menubar menuitem navigation none note option presentation progressbar radio radiogroup region row rowgroup rowheader scrollbar search " +
    "searchbox separator slider spinbutton status switch tab table tablist tabpanel term textbox time timer toolbar tooltip tree treegrid treeitem").split(" "));
  const ids = () => new Set(all("[id]").map((e) => e.id));

  const checks = {
    language() {
      return /^[a-z]{2,3}(-[A-Za-z0-9]+)*$/.test(document.documentElement.lang) ? [] : ["html has lang \"" + document.documentElement.lang + "\""];
    },
    title() { return document.title.trim() ? [] : ["the page has no title"]; },
    zoom() {
      return all('meta[name="viewport"]').filter((m) => /user-scalable\s*=\s*(no|0)|maximum-scale\s*=\s*(0|1)(\.\d+)?\s*(,|$)/.test(m.content)).map((m) => m.content);
    },
    headings() {
      const list = all("h1, h2, h3, h4, h5, h6").filter((e) => seen(e) && !e.closest("dialog")), wrong = [];
      if (list.filter((e) => e.tagName === "H1").length !== 1) wrong.push(list.filter((e) => e.tagName === "H1").length + " headings of level 1");
      list.forEach((e, i) => {
        if (!words(e)) wrong.push("empty " + name(e));
        if (i > 0 && Number(e.tagName[1]) > Number(list[i - 1].tagName[1]) + 1) wrong.push(name(e) + " after " + name(list[i - 1]));
      });
      return wrong;
    },
    landmarks() {
      const wrong = [], main = all('main, [role="main"]').filter(seen);
      if (main.length !== 1) wrong.push(main.length + " main parts");
      const nav = all('nav, [role="navigation"]').filter(seen);
      if (nav.length > 1) for (const e of nav) if (!e.getAttribute("aria-label") && !e.getAttribute("aria-labelledby")) wrong.push("one of several without a name: " + name(e));
      const inside = 'main, header, footer, nav, aside, dialog, noscript, script, style, [role="alert"], [role="status"], [aria-live], [role="banner"], [role="contentinfo"]';
      const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
      while (walk.nextNode()) {
        const e = walk.currentNode.parentElement;
        if (walk.currentNode.data.trim() && seen(e) && !e.closest(inside) && !e.closest('a[href^="#"]')) wrong.push("outside of every part: " + name(e));
      }
      return wrong;
    },
    bypass() {
      if (modal()) return [];
      const first = all(controls).find(seen);
      const to = first && (first.getAttribute("href") || "");
      return to && to.startsWith("#") && document.getElementById(to.slice(1)) && seen(document.getElementById(to.slice(1))) ? [] : ["the first control leads past nothing: " + (first ? name(first) : "none")];
    },
    labels() {
      return active('input:not([type="hidden"]):not([type="submit"]):not([type="button"]), select, textarea').filter((e) =>
        !(e.labels && [...e.labels].some((l) => seen(l) && words(l))) && !(e.getAttribute("aria-label") || "").trim() &&
        !(e.getAttribute("aria-labelledby") || "").split(/\s+/).some((id) => id && words(document.getElementById(id)))).map(name);
    },
    purposes() {
      return active('input[type="password"], input[name="username"], input#ask-by').filter((e) => !e.autocomplete).map((e) => "no autocomplete: " + name(e));
    },
    ids() {
      const count = {};
      for (const e of all("[id]")) count[e.id] = (count[e.id] || 0) + 1;
      return Object.keys(count).filter((id) => count[id] > 1).map((id) => id + " stands " + count[id] + " times");
    },
    references() {
      const known = ids(), wrong = [];
      for (const a of ["aria-labelledby", "aria-describedby", "aria-controls", "aria-owns", "for", "aria-details", "aria-errormessage"]) {
        for (const e of all("[" + a + "]")) for (const id of e.getAttribute(a).split(/\s+/)) if (id && !known.has(id)) wrong.push(a + " of " + name(e) + " names " + id);
      }
      for (const e of all('a[href^="#"]')) if (e.getAttribute("href").length > 1 && !known.has(e.getAttribute("href").slice(1))) wrong.push(name(e) + " leads nowhere");
      return wrong;
    },
    tables() {
      const wrong = [];
      for (const t of all("table").filter(shown)) {
        const top = all("thead th", t);
        if (!all("th", t).length) wrong.push("no headers: " + name(t));
        for (const th of all("th", t)) {
          if (!th.scope) wrong.push("header without scope: " + name(th));
          if (!words(th) && !th.getAttribute("aria-label")) wrong.push("empty header: " + name(th));
        }
        for (const td of all("td", t)) {
          const column = [...td.parentElement.cells].slice(0, td.cellIndex).reduce((n, c) => n + c.colSpan, 0);
          let n = 0;
          const above = top.some((th) => { const from = n; if (th.parentElement === top[0].parentElement) n += th.colSpan; return from <= column && column < n; });
          if (!above && !td.parentElement.querySelector('th[scope="row"]')) { wrong.push("cell under no header: " + name(td)); break; }
        }
        const display = getComputedStyle(t).display, row = t.querySelector("tr");
        if ((!display.includes("table") || (row && !getComputedStyle(row).display.includes("table"))) && t.getAttribute("role") !== "table") wrong.push("drawn as no table and so read as none: " + name(t));
      }
      return wrong;
    },
    lists() {
      return all("li").filter((e) => seen(e) && !e.closest("ul, ol, menu")).map((e) => "outside of a list: " + name(e))
        .concat(all("ul, ol").filter(seen).flatMap((l) => [...l.children].filter((c) => !["LI", "SCRIPT", "TEMPLATE"].includes(c.tagName)).map((c) => "in a list and no item: " + name(c))))
        .concat(all("dt, dd").filter((e) => seen(e) && !e.closest("dl")).map((e) => "outside of a list of terms: " + name(e)));
    },
    roles() {
      const wrong = all("[role]").filter((e) => e.getAttribute("role").split(/\s+/).some((r) => !roles.has(r))).map((e) => "role " + e.getAttribute("role") + ": " + name(e));
      const words = { "aria-pressed": /^(true|false|mixed)$/, "aria-expanded": /^(true|false)$/, "aria-hidden": /^(true|false)$/, "aria-invalid": /^(true|false|grammar|spelling)$/, "aria-live": /^(off|polite|assertive)$/,
        "aria-current": /^(page|step|location|date|time|true|false)$/, "aria-selected": /^(true|false)$/, "aria-checked": /^(true|false|mixed)$/, "aria-sort": /^(ascending|descending|none|other)$/ };
      for (const a of Object.keys(words)) for (const e of all("[" + a + "]")) if (!words[a].test(e.getAttribute(a))) wrong.push(a + "=" + e.getAttribute(a) + ": " + name(e));
      for (const e of all('[role="slider"], [role="meter"], [role="progressbar"]')) if (!e.hasAttribute("aria-valuenow") && e.getAttribute("role") !== "progressbar") wrong.push("no aria-valuenow: " + name(e));
      return wrong;
    },
    nesting() {
      return all(controls).filter((e) => seen(e) && e.parentElement.closest('a[href], button, summary, [role="button"], [role="link"]')).map(name);
    },
    hidden() { return all('[aria-hidden="true"]').flatMap((h) => [h, ...all("*", h)]).filter((e) => e.matches(controls) && seen(e)).map((e) => "hidden from screen readers, not from the keyboard: " + name(e)); },
    order() { return all("[tabindex]").filter((e) => e.tabIndex > 0).map((e) => "tabindex " + e.tabIndex + ": " + name(e)); },
    images() {
      return all("img").filter((e) => !e.hasAttribute("alt")).map(name)
        .concat(all("svg").filter((e) => shown(e) && !e.closest('[aria-hidden="true"]') && !(e.getAttribute("role") === "img" && (e.getAttribute("aria-label") || e.querySelector(":scope > title"))) &&
          e.getAttribute("role") !== "presentation" && !e.querySelector("text")).map((e) => "a drawing without name, not hidden: " + name(e)));
    },
    buttons() { return all("[onclick], [data-order]").filter((e) => seen(e) && !e.matches(controls)).map((e) => "to be clicked, not to be focused: " + name(e)); },
    live() {
      const regions = all('[role="alert"], [aria-live="assertive"]').filter((e) => getComputedStyle(e).display !== "none" && getComputedStyle(e).visibility !== "hidden" && !e.closest('[aria-hidden="true"]'));
      return regions.length ? [] : ["nothing is read out at once"];
    },
    motion() { return document.getAnimations().filter((a) => a.playState === "running").map((a) => "moves: " + (a.effect && a.effect.target ? name(a.effect.target) : "something")); },
    targets() {
      const list = active(controls).map((e) => ({ e, b: box(e) })).filter((x) => x.b.width > 0 && !(x.e.matches("[tabindex]") && !x.e.matches('a, button, input, select, textarea, summary, [role="button"], [role="slider"]')));
      const small = list.filter(({ e, b }) => (b.width < 23.9 || b.height < 23.9) && !inSentence(e));
      const centre = (b) => [b.left + b.width / 2, b.top + b.height / 2];
      return small.filter((s) => {
        const [x, y] = centre(s.b);
        return list.some((o) => {
          if (o.e === s.e || o.e.contains(s.e) || s.e.contains(o.e)) return false;
          const dx = Math.max(o.b.left - x, 0, x - o.b.right), dy = Math.max(o.b.top - y, 0, y - o.b.bottom);
          const [ox, oy] = centre(o.b);
          return dx * dx + dy * dy < 144 || (small.includes(o) && (ox - x) ** 2 + (oy - y) ** 2 < 576);
        });
      }).map((s) => Math.round(s.b.width) + " by " + Math.round(s.b.height) + " and others near: " + name(s.e));
    },
    wide() {
      const w = document.documentElement.clientWidth, wrong = [];
      if (document.documentElement.scrollWidth > w) wrong.push("the page is " + document.documentElement.scrollWidth + " wide on a screen of " + w);
      for (const e of all("body *")) {
        const b = e.getBoundingClientRect();
        // A drawing's words stand where its figures are; spacing is for what flows.
        if (e.closest("svg") && document.adoptedStyleSheets.includes(spaced)) continue;
        if (shown(e) && b.right > 0 && (b.right > w + 1 || b.left < -1) && ownText(e) && !scroller(e)) wrong.push("reaches beyond the edge: " + name(e));
      }
      return wrong;
    },
    clipped() {
      return all("body *").filter((e) => {
        if (!shown(e) || e.closest("svg, select, option") || !words(e)) return false;
        const s = getComputedStyle(e), b = e.getBoundingClientRect();
        if (b.width <= 2 || b.height <= 2) return false;
        return (/hidden|clip/.test(s.overflowX) && e.scrollWidth > e.clientWidth + 1) || (/hidden|clip/.test(s.overflowY) && e.scrollHeight > e.clientHeight + 1);
      }).map((e) => "cut off: " + name(e));
    },
    overlaps() {
      const spots = [];
      for (const e of all("body *").filter((e) => shown(e) && ownText(e) && !e.closest("svg, select, dialog, #banner"))) {
        const range = document.createRange();
        for (const n of e.childNodes) {
          if (n.nodeType !== 3 || !n.data.trim()) continue;
          range.selectNodeContents(n);
          for (const b of range.getClientRects()) spots.push({ e, b });
        }
      }
      const wrong = [];
      for (let i = 0; i < spots.length; i++) for (let j = i + 1; j < spots.length && j < i + 400; j++) {
        const a = spots[i].b, b = spots[j].b;
        const x = Math.min(a.right, b.right) - Math.max(a.left, b.left), y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (x > 4 && y > 0.45 * Math.min(a.height, b.height) && spots[i].e !== spots[j].e) wrong.push(name(spots[i].e) + " on " + name(spots[j].e));
      }
      return wrong.slice(0, 5);
    },
  };
  const ownText = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
  const scroller = (e) => { for (let p = e; p && p !== document.body; p = p.parentElement) if (/auto|scroll/.test(getComputedStyle(p).overflowX)) return true; return false; };
  const inSentence = (e) => e.matches("a") && getComputedStyle(e).display === "inline" && words(e.parentElement).length > words(e).length;
  // A link may take clicks on more than its own box.
  const box = (e) => {
    const b = e.getBoundingClientRect(), s = getComputedStyle(e, "::after");
    if (s.content === "none" || s.position !== "absolute") return e.labels && /checkbox|radio/.test(e.type) && e.labels[0] ? union(b, e.labels[0].getBoundingClientRect()) : b;
    let p = e;
    while (p && getComputedStyle(p).position === "static") p = p.parentElement;
    return p ? p.getBoundingClientRect() : b;
  };
  const union = (a, b) => ({ left: Math.min(a.left, b.left), right: Math.max(a.right, b.right), top: Math.min(a.top, b.top), bottom: Math.max(a.bottom, b.bottom),
    width: Math.max(a.right, b.right) - Math.min(a.left, b.left), height: Math.max(a.bottom, b.bottom) - Math.min(a.top, b.top) });

  // paint makes text transparent, so that a picture shows what lies behind it.
  const bare = new CSSStyleSheet();
  bare.replaceSync("* { -webkit-text-fill-color: transparent !important; text-decoration-color: transparent !important; text-shadow: none !important; caret-color: transparent !important; } svg text, svg tspan { fill-opacity: 0 !important; } " +
    "::placeholder { -webkit-text-fill-color: transparent !important; } svg.mark { clip-path: inset(50%) !important; } *::before, *::after { -webkit-text-fill-color: transparent !important; }");
  const spaced = new CSSStyleSheet();
  spaced.replaceSync("* { line-height: 1.5 !important; letter-spacing: .12em !important; word-spacing: .16em !important; } p { margin-bottom: 2em !important; }");
  const sheets = { bare, spaced };

  const rgba = (text) => { const m = text.match(/[\d.]+/g); return m ? [Number(m[0]), Number(m[1]), Number(m[2]), m[3] === undefined ? 1 : Number(m[3])] : null; };
  const clear = (e) => { let o = 1; for (let p = e; p; p = p.parentElement) o *= Number(getComputedStyle(p).opacity); return o; };

  return {
    run: (list) => list.flatMap((check) => checks[check]().map((what) => ({ check, what }))),
    wear: (names) => { document.adoptedStyleSheets = names.map((n) => sheets[n]); return true; },
    // texts are all that can be read, with colour and place.
    texts() {
      const out = [], range = document.createRange(), walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
      while (walk.nextNode()) {
        const n = walk.currentNode, e = n.parentElement;
        if (!n.data.trim() || !shown(e) || e.closest("select, noscript, script, style, :disabled") || !inModal(e) || (e.closest("details:not([open])") && !e.closest("summary"))) continue;
        const s = getComputedStyle(e), svg = e.closest("svg");
        const colour = rgba(svg ? s.fill : s.color);
        if (!colour) continue;
        range.selectNodeContents(n);
        const size = parseFloat(s.fontSize) * (svg && svg.viewBox.baseVal && svg.viewBox.baseVal.width ? svg.getBoundingClientRect().width / svg.viewBox.baseVal.width : 1);
        for (const b of range.getClientRects()) {
          if (b.width < 2 || b.height < 2) continue;
          out.push({ what: name(e), box: [b.left, b.top, b.width, b.height], colour: [...colour.slice(0, 3), colour[3] * clear(e)],
            large: size >= 24 || (size >= 18.66 && Number(s.fontWeight) >= 700) });
        }
      }
      for (const e of active("input, textarea, select")) {
        const b = e.getBoundingClientRect(), c = rgba(getComputedStyle(e).color);
        out.push({ what: name(e), box: [b.left + 4, b.top + 4, b.width - 8, b.height - 8], colour: [...c.slice(0, 3), c[3] * clear(e)], large: false });
      }
      return out;
    },
    // shapes are what has to be told from its surroundings without being text.
    shapes() {
      const out = [];
      const add = (e, colour, b) => { if (colour && colour[3] > 0) out.push({ what: name(e), box: [b.left - 3, b.top - 3, b.width + 6, b.height + 6], colour: [...colour.slice(0, 3), colour[3] * clear(e)], rim: 2 }); };
      for (const e of active('input:not([type="checkbox"]):not([type="radio"]), select, textarea')) {
        const s = getComputedStyle(e), b = e.getBoundingClientRect();
        if (parseFloat(s.borderBottomWidth) > 0 && s.borderBottomStyle !== "none") add(e, rgba(s.borderBottomColor), b);
        else add(e, rgba(s.backgroundColor)[3] > 0 ? rgba(s.backgroundColor) : [255, 0, 0, 0.001], b);
      }
      for (const e of all("svg.mark *").filter((e) => shown(e) && inModal(e))) {
        const s = getComputedStyle(e), c = s.fill !== "none" && rgba(s.fill)[3] > 0 ? rgba(s.fill) : s.stroke !== "none" ? rgba(s.stroke) : null;
        add(e.closest("svg"), c, e.closest("svg").getBoundingClientRect());
      }
      return out;
    },
    // reachable numbers every control that the keyboard has to reach.
    reachable() {
      const list = active(controls).filter((e) => e.tabIndex >= 0 && !(e.type === "radio" && !e.checked));
      list.forEach((e, i) => { e.__reach = i; });
      return list.map(name);
    },
    focused() {
      const e = document.activeElement;
      if (!e || e === document.body || e === document.documentElement) return { reach: -1, what: "", clear: true, style: "", width: 0, colour: [0, 0, 0, 0], box: [0, 0, 0, 0] };
      const s = getComputedStyle(e), b = e.getBoundingClientRect();
      // At least a part of it must not lie under something else.
      const spots = [[0.5, 0.5], [0.1, 0.5], [0.9, 0.5], [0.5, 0.15], [0.5, 0.85]].map(([x, y]) => document.elementFromPoint(b.left + b.width * x, b.top + b.height * y));
      return { reach: e.__reach === undefined ? -1 : e.__reach, what: name(e), clear: spots.some((o) => o && (e.contains(o) || o.contains(e))),
        style: s.outlineStyle, width: parseFloat(s.outlineWidth), colour: rgba(s.outlineColor), behind: behind(e), box: [b.left, b.top, b.width, b.height] };
    },
  };
  // behind is the colour of the nearest ancestor that has one.
  function behind(e) {
    for (let p = e.parentElement; p; p = p.parentElement) { const c = rgba(getComputedStyle(p).backgroundColor); if (c[3] > 0.99) return c; }
    return [255, 255, 255, 1];
  }
})()
