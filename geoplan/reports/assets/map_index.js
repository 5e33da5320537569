/* The index of a plan that is too large for one page: its areas, and a search over all of them. */
"use strict";

function openIndex(map, shown) {
  const { values } = shown;
  const grid = new Grid(values);
  const side = document.getElementById("gp-side");
  const { areas } = values;
  map.getContainer().setAttribute("role", "application");
  map.getContainer().setAttribute("aria-label", "Overview of the plan's areas. The list beside it holds the same areas.");
  map.attributionControl.setPrefix(false);
  L.control.scale({ position: "bottomleft", maxWidth: 160, imperial: values.system === "us", metric: values.system !== "us" }).addTo(map);
  map.createPane("gp-plan").style.zIndex = 400;
  map.fitBounds(grid.bounds(values.bounds), { padding: [24, 24], animate: false });
  const dots = new Overview(shown, grid);
  dots.addTo(map);
  map.on("click", (event) => {
    const [x, y] = grid.cell(event.latlng);
    const area = nearestArea(shown, x, y);
    if (area >= 0) window.location.assign(link(areas[area], `view=${event.latlng.lat.toFixed(6)},${event.latlng.lng.toFixed(6)},17`));
  });
  const total = areas.reduce((sum, one) => [sum[0] + one.served, sum[1] + one.unserved], [0, 0]);
  const list = make("ul", { class: "gp-list gp-areas" }, ...areas.map((one, i) => make("li", {},
    make("a", { href: link(one, "") }, `Area ${i + 1}: ${one.served} served, ${one.unserved} unserved`))));
  let all = null;
  const find = searchBox(() => {
    if (!all) all = indexList(shown, areas);
    return all;
  }, (one) => window.location.assign(one.href));
  side.append(
    make("p", { class: "gp-count", role: "status" }, `${total[0]} drops and ${total[1]} unserved addresses in ${areas.length} areas.`),
    make("div", { class: "gp-panel", tabindex: "0", role: "region", "aria-label": "Search and areas" }, find,
      make("section", { class: "gp-part" }, make("h2", {}, "Areas"),
        make("p", {}, "Each area is a page of its own. Choose one here or on the map. Small dots are served addresses, large red ones unserved."), list),
      make("section", { class: "gp-part" }, make("h2", {}, "This plan"), ...values.notes.map((text) => make("p", {}, sentence(text)))),
      make("section", { class: "gp-part" }, make("h2", {}, "Caution in full"), ...values.caution.map((text) => make("p", {}, text)))));
  document.body.dataset.tab = "index";
  map.invalidateSize({ animate: false });
  map.fitBounds(grid.bounds(values.bounds), { padding: [24, 24], animate: false });
  document.body.dataset.drawn = performance.now().toFixed(1);
  document.body.dataset.ready = "yes";
}

function link(area, hash) {
  if (!/^map\/area-\d+\.html$/.test(area.file)) throw new Error("an area has no page");
  return hash ? `${area.file}#${hash}` : area.file;
}

function indexList(shown, areas) {
  const list = [];
  const add = (name, say, key) => {
    const area = shown.numbers(name + ".area");
    for (let i = 0; i < area.length; i += 1) {
      const id = shown.text(name + ".id", i);
      if (id === null) continue;
      const label = name === "row" ? shown.text("row.label", i) : null;
      const text = say + id + (label ? `: ${label}` : "");
      list.push({ text: text, plain: plain(text), i: i, name: name, key: key, id: id, area: area[i] });
    }
  };
  add("road", "Road ", null);
  add("pole", "Pole ", "pole");
  add("row", "", "address");
  const grid = new Grid(shown.values);
  for (const one of list) {
    Object.defineProperty(one, "href", {
      get() {
        if (this.key) return link(areas[this.area], `${this.key}=${encodeURIComponent(this.id)}`);
        const at = grid.latLng(shown.numbers("road.x")[this.i], shown.numbers("road.y")[this.i]);
        return link(areas[this.area], `view=${at.lat.toFixed(6)},${at.lng.toFixed(6)},17.5`);
      },
    });
  }
  return list;
}

function nearestArea(shown, x, y) {
  const [px, py, area] = [shown.numbers("row.x"), shown.numbers("row.y"), shown.numbers("row.area")];
  let best = Infinity;
  let found = -1;
  for (let i = 0; i < px.length; i += 1) {
    const far = (px[i] - x) ** 2 + (py[i] - y) ** 2;
    if (far < best) {
      best = far;
      found = area[i];
    }
  }
  return found;
}

// Every address as a dot, unserved ones red; each area with its box and number.
const Overview = L.Renderer.extend({
  initialize(shown, grid) {
    L.Renderer.prototype.initialize.call(this, { padding: 0.15, pane: "gp-plan" });
    this.shown = shown;
    this.grid = grid;
  },
  _initContainer() {
    Sheet.prototype._initContainer.call(this);
  },
  _destroyContainer() {
    Sheet.prototype._destroyContainer.call(this);
  },
  _updatePaths() {},
  _update() {
    Sheet.prototype._update.call(this);
  },
  draw() {
    const c = this._context;
    const { min, max } = this._bounds;
    const { shown } = this;
    const zoom = this._map.getZoom();
    const origin = this._map.getPixelOrigin();
    const scale = 256 * 2 ** zoom / WORLD;
    const [ox, oy] = [this.grid.x * scale - origin.x, this.grid.y * scale - origin.y];
    c.setTransform(this.ratio, 0, 0, this.ratio, -min.x * this.ratio, -min.y * this.ratio);
    c.clearRect(min.x, min.y, max.x - min.x, max.y - min.y);
    const [x, y, area] = [shown.numbers("row.x"), shown.numbers("row.y"), shown.numbers("row.area")];
    const drops = shown.values.drop_count;
    const side = Math.max(1, Math.min(4, (zoom - 10) * 0.7));
    for (let i = 0; i < x.length; i += 1) {
      const r = i < drops ? side : side * 1.8;
      c.fillStyle = i >= drops ? "#c04000" : area[i] % 2 ? "#0072b2" : "#3a3a3a";
      c.fillRect(x[i] * scale + ox - r / 2, y[i] * scale + oy - r / 2, r, r);
    }
    shown.values.areas.forEach((one, i) => {
      const [west, north, east, south] = one.box;
      const [left, top] = [west * scale + ox, north * scale + oy];
      c.strokeStyle = "#000000";
      c.lineWidth = 1.5;
      c.strokeRect(left, top, (east - west) * scale, (south - north) * scale);
      c.font = "700 16px system-ui, sans-serif";
      c.textAlign = "center";
      c.textBaseline = "middle";
      c.lineWidth = 5;
      c.strokeStyle = "#ffffff";
      const at = [(west + east) / 2 * scale + ox, (north + south) / 2 * scale + oy];
      c.strokeText(String(i + 1), ...at);
      c.fillStyle = "#000000";
      c.fillText(String(i + 1), ...at);
    });
  },
});
