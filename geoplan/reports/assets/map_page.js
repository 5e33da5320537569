/* Puts the page together: map, tabs beside it, what is chosen, keyboard, link, print. */
"use strict";

const LAYER_SWITCHES = [
  ["drops", "Drops"], ["terminals", "Terminals"], ["unserved", "Unserved addresses"],
  ["street_crossings", "Street crossings"], ["crossings", "Other crossings"],
  ["flags_error", "Flags: errors"], ["flags_warning", "Flags: warnings"], ["flags_note", "Flags: notes"],
  ["aside", "Rows set aside"], ["names", "Names at large scale"], ["poles", "Poles"],
  ...SURROUNDINGS.map((one) => [one.key, one.label]),
];
const OFF_AT_FIRST = ["crossings", "flags_note"];
const TABS = [["find", "Find"], ["table", "Table"], ["details", "Details"], ["key", "Key"], ["about", "About"]];
const KEYS = [
  ["Tab", "from control to control; the map is one of them"],
  ["Arrow keys on the map", "move it"],
  ["+ and \u2212 on the map", "zoom"],
  ["Enter on the map", "choose the drop nearest to its middle"],
  ["N and P on the map or the details' title", "next and previous address in the table's order"],
  ["Arrow keys on the tabs", "go from tab to tab"],
];

class Page {
  constructor(map, plan, side) {
    this.map = map;
    this.plan = plan;
    this.view = { off: new Set(OFF_AT_FIRST), overlay: [], chosen: null };
    this.side = side;
    this.readAll = null;   // a promise: figures and texts that are not needed to draw
    this.buildSide();
    map.createPane("gp-plan").style.zIndex = 400;
    this.sheet = new Sheet(plan, this.view);
  }

  get filter() { return this.form.filter; }

  get off() {
    const off = Array.from(this.view.off).sort();
    return off.join() === [...OFF_AT_FIRST].sort().join() ? [] : off.length ? off : ["none"];
  }

  // --- beside the map

  buildSide() {
    const { plan } = this;
    this.count = make("p", { class: "gp-count", role: "status" });
    this.form = new FilterForm(plan, (filter) => this.filtered(filter));
    this.table = new SideTable(plan, (row) => this.choose({ type: "row", index: row }, true, true));
    this.search = searchBox(() => {
      if (!this.list) this.list = searchList(plan);
      return this.list;
    }, (one) => this.choose(one.type === "road" ? one : { type: one.type, index: one.index }, true));
    this.detailTitle = make("h2", { tabindex: "-1", id: "gp-detail-title" }, "Details");
    this.detailBody = make("div", {}, make("p", {},
      "Choose a drop, a terminal, an unserved address or a mark: on the map, in the table, or by the search."));
    const step = (by, text) => make("button", { type: "button", class: "gp-button", on: { click: () => this.step(by) } }, text);
    const panels = {
      find: [this.search, this.form.element, this.linkPart()],
      table: [this.table.element],
      details: [make("p", { class: "gp-steps" }, step(-1, "Previous"), " ", step(1, "Next"), " ",
        make("button", { type: "button", class: "gp-button", on: { click: () => window.print() } }, "Print")),
      this.detailTitle, this.detailBody],
      key: [this.layerPart(), legend(plan)],
      about: this.aboutParts(),
    };
    const bar = make("div", { role: "tablist", "aria-label": "Beside the map", class: "gp-tabs" });
    this.tabs = new Map();
    for (const [key, label] of TABS) {
      const tab = make("button", {
        type: "button", role: "tab", id: "gp-tab-" + key, "aria-controls": "gp-panel-" + key,
        on: { click: () => this.open(key) },
      }, label);
      const panel = make("div", {
        role: "tabpanel", id: "gp-panel-" + key, "aria-labelledby": "gp-tab-" + key, tabindex: "0",
        class: "gp-panel gp-panel-" + key,
      }, ...panels[key]);
      this.tabs.set(key, { tab: tab, panel: panel });
      bar.append(tab);
    }
    bar.addEventListener("keydown", (event) => {
      const keys = Array.from(this.tabs.keys());
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      const at = keys.indexOf(this.opened);
      const to = by ? (at + by + keys.length) % keys.length : { Home: 0, End: keys.length - 1 }[event.key];
      if (to === undefined) return;
      this.open(keys[to]);
      this.tabs.get(keys[to]).tab.focus();
      event.preventDefault();
    });
    this.side.append(this.count, bar, ...Array.from(this.tabs.values(), (one) => one.panel));
    this.open("find");
  }

  open(key) {
    this.opened = key;
    for (const [name, { tab, panel }] of this.tabs) {
      tab.setAttribute("aria-selected", String(name === key));
      tab.setAttribute("tabindex", name === key ? "0" : "-1");
      panel.hidden = name !== key;
    }
    document.body.dataset.tab = key;
    if (key === "table") {
      if (this.tableIsStale) this.table.update();
      this.tableIsStale = false;
    }
    this.map.invalidateSize({ animate: false });
  }

  layerPart() {
    const boxes = LAYER_SWITCHES.map(([key, label]) => {
      const input = make("input", { type: "checkbox", "data-layer": key });
      input.checked = !this.view.off.has(key);
      input.addEventListener("change", () => {
        if (input.checked) this.view.off.delete(key);
        else this.view.off.add(key);
        this.sheet.redraw();
        this.link();
      });
      return make("label", { class: "gp-check" }, input, make("span", {}, label));
    });
    this.layerBoxes = boxes.map((one) => one.firstChild);
    this.layerField = make("fieldset", {}, make("legend", {}, "Drawn on the map"), ...boxes);
    return make("section", { class: "gp-part gp-layers" }, make("h2", {}, "Layers"), this.layerField);
  }

  linkPart() {
    this.linkField = make("input", { type: "text", id: "gp-link", readonly: true, on: { focus: () => this.linkField.select() } });
    return make("section", { class: "gp-part" }, make("h2", {}, "Link"),
      make("p", { class: "gp-field" }, make("label", { for: "gp-link" }, "To this view, filter and choice"), this.linkField));
  }

  aboutParts() {
    const { values } = this.plan;
    const list = (texts) => texts.map((text) => make("p", {}, sentence(text)));
    const parts = [
      make("section", { class: "gp-part" }, make("h2", {}, "This plan"), ...list(values.notes)),
      make("section", { class: "gp-part gp-caution-full" }, make("h2", {}, "Caution in full"), ...list(values.caution)),
      make("section", { class: "gp-part" }, make("h2", {}, "Keys"), facts(KEYS)),
    ];
    if (values.area) {
      parts.unshift(make("section", { class: "gp-part" }, make("h2", {}, `Area ${values.area.number} of ${values.area.of}`),
        make("p", {}, make("a", { href: values.area.index }, "All areas, and the search over them"))));
    }
    return parts;
  }

  // --- what is shown

  filtered() {
    const { plan } = this;
    applyFilter(plan, this.filter);
    const counts = [0, 0, 0];
    for (let row = 0; row < plan.count; row += 1) counts[plan.status(row)] += plan.visible[row];
    this.count.textContent = `Shown: ${counts[0]} of ${plan.dropCount} drops, ${counts[1]} of ${plan.unservedCount} unserved`
      + (plan.asideCount ? `, ${counts[2]} of ${plan.asideCount} rows set aside.` : ".");
    if (this.opened === "table") this.table.update();
    else this.tableIsStale = true;
    this.sheet.redraw();
    this.link();
  }

  setOverlay(lines) {
    this.view.overlay = lines;
    this.sheet.redraw();
  }

  showBox(box) {
    this.map.fitBounds(this.plan.grid.bounds(box), { padding: [40, 40], maxZoom: 20, animate: false });
  }

  // --- what is chosen

  async choose(what, go, keepTab) {
    await this.readAll;
    const { plan } = this;
    if (what.type === "road") {
      const lines = this.sheet.lines.roads;
      const name = plan.shown.text("roads.name", what.index);
      const boxes = [];
      for (let i = 0; i < lines.length; i += 1) if (plan.shown.text("roads.name", i) === name) boxes.push(lines.boxOf(i));
      this.showBox([0, 1].map((k) => Math.min(...boxes.map((b) => b[k]))).concat([2, 3].map((k) => Math.max(...boxes.map((b) => b[k])))));
      return;
    }
    const chosen = { type: what.type, index: what.index, place: this.placeOf(what) };
    if (what.type === "mark") {
      chosen.type = "mark";
      chosen.row = plan.marks[what.index].row;
    }
    this.view.chosen = chosen;
    this.view.overlay = what.type === "row" && plan.status(what.index) === UNSERVED
      ? remedyLines(this, plan.own(what.index), chosen.place) : [];
    const [title, body] = this.detailsOf(what);
    this.detailTitle.textContent = title;
    this.detailBody.replaceChildren(body, make("p", { class: "gp-small" },
      "Not for construction until checked on site."));
    if (!keepTab) {
      this.open("details");
      this.tabs.get("details").panel.scrollTop = 0;
      this.detailTitle.focus({ preventScroll: true });
    }
    if (what.type === "row") this.table.mark(what.index);
    if (go) this.goTo(what, chosen.place);
    this.sheet.redraw();
    this.link();
  }

  placeOf(what) {
    const { plan } = this;
    if (what.type === "row") return plan.place(what.index);
    if (what.type === "mark") return [plan.marks[what.index].x, plan.marks[what.index].y];
    if (what.type === "crossing") return [plan.crossings[what.index].x, plan.crossings[what.index].y];
    const name = what.type === "pole" ? "poles" : what.type;
    return [plan.shown.numbers(name + ".x")[what.index], plan.shown.numbers(name + ".y")[what.index]];
  }

  detailsOf(what) {
    const { plan } = this;
    if (what.type === "row") {
      const status = plan.status(what.index);
      const title = plan.title(what.index);
      return [status === SERVED ? title : `${STATUS_WORDS[status]}: ${title}`, rowDetails(this, what.index)];
    }
    if (what.type === "terminal") return [`Terminal ${plan.shown.text("terminal.id", what.index)}`, terminalDetails(this, what.index)];
    if (what.type === "pole") return [`Pole ${plan.shown.text("poles.id", what.index)}`, poleDetails(this, what.index)];
    if (what.type === "mark") return [`Flags of ${plan.id(plan.marks[what.index].row)}`, markDetails(this, what.index)];
    return [`Crossing of ${plan.id(plan.crossings[what.index].row)}`, crossingDetails(this, what.index)];
  }

  goTo(what, place) {
    if (!place) return;
    if (what.type === "row" && this.plan.status(what.index) === SERVED) {
      this.showBox(this.plan.drops.boxOf(what.index));
    } else if (this.view.overlay.length) {
      this.showBox(boxOfPoints(this.view.overlay.flatMap((one) => one.points)));
    } else {
      this.map.setView(this.plan.grid.latLng(...place), Math.max(19, this.map.getZoom()), { animate: false });
    }
  }

  step(by) {
    if (this.tableIsStale) {
      this.table.update();
      this.tableIsStale = false;
    }
    const { chosen } = this.view;
    const row = chosen && chosen.type === "row" ? chosen.index : chosen && chosen.row !== undefined ? chosen.row : -1;
    const next = this.table.beside(row, by);
    if (next >= 0) this.choose({ type: "row", index: next }, true);
  }

  // --- map, keys, link, print

  start() {
    const { map, plan } = this;
    const container = map.getContainer();
    container.setAttribute("role", "application");
    container.setAttribute("aria-label", "Map of planned drops. Arrow keys move it, plus and minus zoom, "
      + "Enter chooses the drop nearest to the middle, N and P go from address to address. "
      + "The table beside it holds the same addresses.");
    this.controls();
    const found = readLink(window.location.hash);
    const view = linkedView(found);
    this.linked(found, true);
    if (view) map.setView(view.place, view.zoom, { animate: false });
    else if (plan.values.bounds) {
      map.fitBounds(plan.grid.bounds(plan.values.bounds), { padding: [24, 24], animate: false, maxZoom: 20 });
    }
    this.baseMap();
    this.sheet.addTo(map);
    const first = linkedChoice(found, plan);
    if (first) this.choose(first, !view);
    map.on("moveend", () => this.link());
    map.on("click", (event) => {
      const hit = this.sheet.find(event.containerPoint);
      if (hit) this.choose({ type: hit.type, index: hit.index }, false);
    });
    this.hover();
    for (const one of [container, this.detailTitle]) one.addEventListener("keydown", (event) => this.key(event));
    window.addEventListener("hashchange", () => {
      if (window.location.hash === this.lastHash) return;
      const again = readLink(window.location.hash);
      const to = linkedView(again);
      this.linked(again, false);
      if (to) map.setView(to.place, to.zoom, { animate: false });
      const chosen = linkedChoice(again, plan);
      if (chosen) this.choose(chosen, !to);
    });
    window.matchMedia("print").addEventListener("change", (event) => this.print(event.matches));
    window.addEventListener("beforeprint", () => this.print(true));
    window.addEventListener("afterprint", () => this.print(false));
  }

  linked(found) {
    const known = new Set(LAYER_SWITCHES.map(([key]) => key));
    if (found.has("off")) {
      this.view.off.clear();
      for (const key of found.get("off").split(",")) if (known.has(key)) this.view.off.add(key);
      for (const one of this.layerBoxes) one.checked = !this.view.off.has(one.dataset.layer);
    }
    this.form.set(linkedFilter(found, this.form));
  }

  link() {
    if (!this.isReady) return;
    const hash = writeLink(this);
    this.lastHash = hash;
    window.history.replaceState(null, "", hash);
    this.linkField.value = window.location.href;
  }

  key(event) {
    const isMap = event.target === this.map.getContainer();
    if (!(isMap || event.target === this.detailTitle) || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Enter") {
      if (!isMap) return;
      const size = this.map.getSize().divideBy(2);
      const hit = this.sheet.nearestDrop(this.map.containerPointToLayerPoint(size), Math.max(size.x, size.y));
      if (hit) this.choose({ type: "row", index: hit.index }, false);
    } else if (event.key === "n" || event.key === "N") this.step(1);
    else if (event.key === "p" || event.key === "P") this.step(-1);
    else return;
    event.preventDefault();
  }

  controls() {
    const { map } = this;
    const north = L.control({ position: "topleft" });
    north.onAdd = () => make("div", { class: "gp-north", title: "North is up", role: "img", "aria-label": "North is up" }, "N");
    north.addTo(map);
    L.control.scale({
      position: "bottomleft", maxWidth: 160,
      imperial: this.plan.values.system === "us", metric: this.plan.values.system !== "us",
    }).addTo(map);
    map.attributionControl.setPrefix(false);
  }

  baseMap() {
    const base = this.plan.values.base_map;
    if (!base) return;
    // Leaflet takes the credit as markup, so all that is markup in it is written as text.
    const credit = base.credit.replace(/[&<>"']/g, (letter) => `&#${letter.charCodeAt(0)};`);
    this.map.createPane("gp-base").style.zIndex = 200;
    const tiles = L.tileLayer(base.url, { pane: "gp-base", attribution: credit, maxZoom: 22, maxNativeZoom: 19 });
    const input = make("input", { type: "checkbox", id: "gp-base" });
    input.checked = true;
    input.addEventListener("change", () => (input.checked ? tiles.addTo(this.map) : tiles.remove()));
    this.layerField.append(make("label", { class: "gp-check" }, input, make("span", {}, "Base map, from the net")));
    this.map.getContainer().classList.add("gp-with-base");
    tiles.addTo(this.map);
  }

  hover() {
    const container = this.map.getContainer();
    const tip = make("div", { class: "gp-tip", hidden: true, "aria-hidden": "true" });
    container.append(tip);
    let waiting = false;
    this.map.on("mousemove", (event) => {
      if (waiting) return;
      waiting = true;
      window.requestAnimationFrame(() => {
        waiting = false;
        const hit = this.sheet.find(event.containerPoint);
        container.classList.toggle("gp-hit", Boolean(hit));
        tip.hidden = !hit;
        if (!hit) return;
        tip.textContent = this.tipOf(hit);
        tip.style.left = Math.min(event.containerPoint.x + 14, this.map.getSize().x - 170) + "px";
        tip.style.top = event.containerPoint.y + 14 + "px";
      });
    });
    this.map.on("mouseout", () => { tip.hidden = true; });
  }

  tipOf(hit) {
    const { plan } = this;
    if (hit.type === "row") return plan.title(hit.index);
    if (hit.type === "mark") {
      const mark = plan.marks[hit.index];
      return `${plan.id(mark.row)}: ${mark.flags.map((i) => words(plan.shown.text("flag.code", i))).join(", ")}`;
    }
    if (hit.type === "crossing") return `${plan.id(plan.crossings[hit.index].row)}: crossing`;
    return hit.type === "terminal" ? `Terminal ${plan.shown.text("terminal.id", hit.index)}`
      : `Pole ${plan.shown.text("poles.id", hit.index)}`;
  }

  // On paper the map has a width of its own; what was in view stays in view.
  print(on) {
    if (document.body.classList.contains("gp-print") === on) return;
    const bounds = this.map.getBounds();
    document.body.classList.toggle("gp-print", on);
    this.map.invalidateSize({ animate: false });
    this.map.fitBounds(bounds, { animate: false });
    this.sheet.redraw();
  }
}

// A piece of an area as it is drawn on the map.
function patch(one) {
  const look = one.trees ? TREE : one.roads ? ROAD : one;
  return makeSvg("svg", { width: 26, height: 14, "aria-hidden": "true" },
    makeSvg("rect", { x: 1, y: 1, width: 24, height: 12, rx: one.trees ? 6 : 0, fill: look.fill, stroke: look.line }));
}

function legend(plan) {
  const item = (picture, text) => make("li", {}, make("span", { class: "gp-picture" }, picture), make("span", {}, text));
  const line = (one) => swatch({ color: one.line, width: Math.max(1.5, one.width), dashes: one.dashes });
  const list = make("ul", { class: "gp-legend" },
    ...plan.look.kinds.map((kind) => item(swatch(kind), `Drop: ${kind.label.toLowerCase()}`)),
    item(swatch({ color: "#0072b2", width: 1.3, dashes: [] }), "Thin, in the same colour: along the strand"),
    ...plan.look.severities.map((one) => item(symbol(one.shape), `Flag: ${one.label.toLowerCase()}`)),
    item(symbol("diamond"), "Street crossing"),
    item(symbol("flagged"), "Street crossing with a flag at the same place"), item(symbol("ring"), "Other crossing or near miss"),
    item(symbol("cross"), "Unserved address"), item(symbol("aside"), "Row set aside"),
    ...[[0, "no port in use"], [0.4, "two in five ports in use"], [1, "full"]].map(
      ([fill, text]) => item(symbol("terminal", fill), `Terminal: ${text}`)),
    item(symbol("terminal", null), "Terminal: fill unknown"),
    item(symbol("pole"), "Pole without a terminal"),
    ...SURROUNDINGS.filter((one) => one.line && !one.fill).map((one) => item(line(one), one.label)),
    ...SURROUNDINGS.filter((one) => one.fill || one.trees || one.roads).map((one) => item(patch(one), one.label)));
  return make("section", { class: "gp-part gp-legend-part" }, make("h2", {}, "Legend"), list);
}

function sayFault(error) {
  const box = make("p", { class: "gp-fault", role: "alert" },
    "This page could not be drawn. It needs a browser of 2023 or later. What went wrong: "
    + String(error && error.message ? error.message : error));
  document.body.prepend(box);
  document.body.dataset.ready = "failed";
  throw error;
}

// The frame's map goes into the page's main part; the page's own parts are made around it.
async function geoplanMap(map) {
  try {
    const container = map.getContainer();
    const main = document.getElementById("gp-main");
    main.append(container);
    map.invalidateSize({ animate: false });
    const shown = await unpackBlock("gp-shown");
    if (shown.values.areas) {
      openIndex(map, shown);
      return;
    }
    const page = new Page(map, new Plan(shown), document.getElementById("gp-side"));
    page.readAll = new Promise((resolve) => { page.giveAll = resolve; });
    page.start();
    document.body.dataset.drawn = performance.now().toFixed(1);
    page.plan.readTold(await unpackBlock("gp-told"));
    page.giveAll();
    page.isReady = true;
    document.body.dataset.ready = "yes";
    window.geoplanPage = page;   // for a console, and for tests
    page.linkField.value = window.location.href;
  } catch (error) {
    sayFault(error);
  }
}
