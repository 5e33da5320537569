/* Draws the plan on one canvas over the map, and tells what lies under a point of it. */
"use strict";

// Layers of the surroundings: look, and the zoom from which each is drawn.
const SURROUNDINGS = [
  { key: "parcels", label: "Lots", from: 16, fill: "#ffffff", line: "#a6a6a6", width: 0.8 },
  { key: "water", label: "Water", from: 0, fill: "#d3e3ee", line: "#7fa8c9", width: 1 },
  { key: "roads", label: "Roads", from: 0, roads: true },
  { key: "sidewalks", label: "Sidewalks", from: 17, fill: "#e9e9e4", line: "#c6c6c0", width: 0.6 },
  { key: "driveways", label: "Driveways", from: 17, fill: "#e8e4db", line: "#c4bfb6", width: 0.6 },
  { key: "buildings", label: "Buildings", from: 15, fill: "#d9d4cb", line: "#857d72", width: 0.8 },
  { key: "pools", label: "Pools", from: 16.5, fill: "#c3dfec", line: "#4f88a8", width: 0.8 },
  { key: "trees", label: "Tree crowns", from: 16.5, trees: true },
  { key: "rail", label: "Rail", from: 0, line: "#444444", width: 3, dashes: [10, 6] },
  { key: "power", label: "Power", from: 16, line: "#a00000", width: 1.4, dashes: [1.5, 3.5] },
  { key: "spans", label: "Strand", from: 15.5, line: "#3a3a3a", width: 1.3 },
  { key: "existing_drops", label: "Existing drops", from: 16, line: "#6b6b6b", width: 1, dashes: [4, 3] },
];

const TREE = { fill: "rgba(150, 190, 140, 0.45)", line: "#7da07d" };
const ROAD = { fill: "#e2e2e0", line: "#b4b4b4" };

const FULL_ZOOM = 19;      // from this zoom on, marks have their full size
const PLANT_NAMES = 19;    // names of poles, terminals and addresses are written from here on
const ROAD_NAMES = 16.5;
const BATCH = 100;

const Sheet = L.Renderer.extend({
  initialize(plan, view) {
    L.Renderer.prototype.initialize.call(this, { padding: 0.15, pane: "gp-plan" });
    this.plan = plan;
    this.view = view;    // what is switched on, chosen and drawn besides
    this.lines = {};
    for (const one of SURROUNDINGS) {
      if (!one.trees) this.lines[one.key] = new Lines(plan.shown, one.key, Boolean(one.fill));
    }
  },

  _initContainer() {
    this._container = document.createElement("canvas");
    this._container.className = "gp-canvas";
    this._container.setAttribute("aria-hidden", "true");
    this._context = this._container.getContext("2d");
  },

  _destroyContainer() {
    L.DomUtil.remove(this._container);
    delete this._context;
  },

  _updatePaths() {},

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize();
    const ratio = Math.max(1, Math.min(3, window.devicePixelRatio || 1));
    const canvas = this._container;
    L.DomUtil.setPosition(canvas, this._bounds.min);
    canvas.width = Math.round(ratio * size.x);
    canvas.height = Math.round(ratio * size.y);
    canvas.style.width = size.x + "px";
    canvas.style.height = size.y + "px";
    this.ratio = ratio;
    this.draw();
  },

  redraw() {
    if (this._map && this._bounds) this._update();
  },

  // From cells to layer points: x * scale + ox.
  frame() {
    const zoom = this._map.getZoom();
    const origin = this._map.getPixelOrigin();
    const scale = 256 * 2 ** zoom / WORLD;
    const { grid } = this.plan;
    return { zoom: zoom, scale: scale, ox: grid.x * scale - origin.x, oy: grid.y * scale - origin.y };
  },

  draw() {
    const begin = performance.now();
    const c = this._context;
    const f = this.frame();
    const { min, max } = this._bounds;
    this.f = f;
    this.k = Math.max(0.28, Math.min(1, 1 - (FULL_ZOOM - f.zoom) * 0.18));
    this.box = [(min.x - f.ox) / f.scale, (min.y - f.oy) / f.scale,
      (max.x - f.ox) / f.scale, (max.y - f.oy) / f.scale];
    this.hits = [];
    this.taken = [];
    c.setTransform(this.ratio, 0, 0, this.ratio, -min.x * this.ratio, -min.y * this.ratio);
    c.clearRect(min.x, min.y, max.x - min.x, max.y - min.y);
    c.lineJoin = "round";
    for (const one of SURROUNDINGS) {
      if (!this.view.off.has(one.key) && f.zoom >= one.from) this.drawSurroundings(one);
    }
    this.drawChosen(true);
    if (!this.view.off.has("drops")) this.drawDrops();
    if (!this.view.off.has("poles") && f.zoom >= 16) this.drawPoles();
    this.drawOverlay();
    if (!this.view.off.has("terminals")) this.drawTerminals();
    this.drawMarks();
    this.drawChosen(false);
    this.drawNames();
    this.drawnIn = performance.now() - begin;
  },

  inBox(x, y) {
    return x >= this.box[0] && x <= this.box[2] && y >= this.box[1] && y <= this.box[3];
  },

  at(x, y) {
    return [x * this.f.scale + this.f.ox, y * this.f.scale + this.f.oy];
  },

  trace(lines, i, close) {
    const c = this._context;
    const { scale, ox, oy } = this.f;
    const end = lines.start[i + 1];
    let k = lines.start[i];
    c.moveTo(lines.x[k] * scale + ox, lines.y[k] * scale + oy);
    for (k += 1; k < end; k += 1) c.lineTo(lines.x[k] * scale + ox, lines.y[k] * scale + oy);
    if (close) c.closePath();
  },

  drawSurroundings(one) {
    const c = this._context;
    if (one.roads) { this.drawRoads(); return; }
    if (one.trees) { this.drawTrees(); return; }
    const lines = this.lines[one.key];
    c.setLineDash(one.dashes || []);
    c.fillStyle = one.fill || "#000000";
    c.strokeStyle = one.line;
    c.lineWidth = this.f.zoom < 17.5 ? one.width * 0.6 : one.width;
    const isOutlined = !one.fill || this.f.zoom >= 16;
    const paint = () => {
      if (one.fill) c.fill();
      if (isOutlined) c.stroke();
    };
    this.inBatches(lines.length, (i) => {
      if (!lines.meets(i, this.box)) return false;
      this.trace(lines, i, Boolean(one.fill));
      return true;
    }, paint);
    c.setLineDash([]);
  },

  // Traces shapes and paints them some at a time: one path with very many parts is slow to paint.
  inBatches(count, trace, paint) {
    const c = this._context;
    let waiting = 0;
    c.beginPath();
    for (let i = 0; i < count; i += 1) {
      if (trace(i)) waiting += 1;
      if (waiting === BATCH) {
        paint();
        c.beginPath();
        waiting = 0;
      }
    }
    if (waiting) paint();
  },

  drawRoads() {
    const c = this._context;
    const lines = this.lines.roads;
    const width = this.plan.shown.numbers("roads.width");
    const perCentimetre = this.plan.grid.cellsPerMetre / 100 * this.f.scale;
    c.lineCap = "round";
    for (const [color, more] of [[ROAD.line, 1.4], [ROAD.fill, 0]]) {
      c.strokeStyle = color;
      for (let i = 0; i < lines.length; i += 1) {
        if (!lines.meets(i, this.box)) continue;
        c.lineWidth = Math.max(1, (width[i] === NONE ? 0 : width[i]) * perCentimetre) + more;
        c.beginPath();
        this.trace(lines, i, false);
        c.stroke();
      }
    }
    c.lineCap = "butt";
  },

  drawTrees() {
    const c = this._context;
    const { shown } = this.plan;
    const { coarse } = shown.values;
    const [x, y] = ["trees.x", "trees.y"].map((name) => shown.numbers(name));
    const radius = shown.numbers("trees.radius");
    const perCentimetre = this.plan.grid.cellsPerMetre / 100 * this.f.scale;
    c.fillStyle = TREE.fill;
    c.strokeStyle = TREE.line;
    c.lineWidth = 0.8;
    this.inBatches(x.length, (i) => {
      if (!this.inBox(x[i] * coarse, y[i] * coarse)) return false;
      const [px, py] = this.at(x[i] * coarse, y[i] * coarse);
      const r = Math.max(1.5, (radius[i] === NONE ? 0 : radius[i]) * perCentimetre);
      c.moveTo(px + r, py);
      c.arc(px, py, r, 0, 2 * Math.PI);
      return true;
    }, () => {
      c.fill();
      c.stroke();
    });
  },

  // Along the strand a drop is a thin line; where it hangs free, a full one.
  drawDrops() {
    const c = this._context;
    const { plan } = this;
    const { drops, visible } = plan;
    const { scale, ox, oy } = this.f;
    const kinds = plan.shown.numbers("drop.kind");
    plan.look.kind_order.forEach((key, number) => {
      const look = plan.look.kinds.find((one) => one.key === key);
      const width = Math.max(this.f.zoom >= 15 ? 2 : 1.2, look.width * this.k);
      c.strokeStyle = look.color;
      c.setLineDash(this.f.zoom >= 16 ? look.dashes.map((one) => one * this.k) : []);
      for (const isRun of [true, false]) {
        c.lineWidth = isRun ? Math.max(0.8, width * 0.45) : width;
        this.inBatches(drops.length, (i) => {
          if (!visible[i] || kinds[i] !== number || !drops.meets(i, this.box)) return false;
          const last = drops.start[i + 1] - 1;
          let k = isRun ? drops.start[i] : last - 1;
          const end = isRun ? last : last + 1;
          if (end - k < 2) return false;
          c.moveTo(drops.x[k] * scale + ox, drops.y[k] * scale + oy);
          for (k += 1; k < end; k += 1) c.lineTo(drops.x[k] * scale + ox, drops.y[k] * scale + oy);
          return true;
        }, () => c.stroke());
      }
    });
    c.setLineDash([]);
  },

  drawChosen(below) {
    const { chosen } = this.view;
    if (!chosen) return;
    const c = this._context;
    if (chosen.type === "row" && this.plan.status(chosen.index) === SERVED) {
      if (!below) return;
      for (const [color, width] of [["#000000", 13], ["#f0e442", 10]]) {
        c.beginPath();
        this.trace(this.plan.drops, chosen.index, false);
        c.lineCap = "round";
        c.strokeStyle = color;
        c.lineWidth = width;
        c.stroke();
      }
      c.lineCap = "butt";
      return;
    }
    if (below || !chosen.place) return;
    const [x, y] = this.at(...chosen.place);
    for (const [color, width] of [["#000000", 7], ["#f0e442", 4]]) {
      c.beginPath();
      c.arc(x, y, 16, 0, 2 * Math.PI);
      c.strokeStyle = color;
      c.lineWidth = width;
      c.stroke();
    }
  },

  // Runner-up routes and remedies, drawn while they are asked for.
  drawOverlay() {
    const c = this._context;
    for (const one of this.view.overlay) {
      const points = one.points.map(([x, y]) => this.at(x, y));
      for (const [color, width] of [["#ffffff", 6], [one.color || "#000000", 2.6]]) {
        c.beginPath();
        points.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
        c.strokeStyle = color;
        c.lineWidth = width;
        c.setLineDash(color === "#ffffff" ? [] : one.dashes);
        c.stroke();
      }
      c.setLineDash([]);
      if (one.ring) {
        c.beginPath();
        c.arc(...points[points.length - 1], 12, 0, 2 * Math.PI);
        c.lineWidth = 2.6;
        c.stroke();
      }
    }
    for (const one of this.view.overlay) {
      const [a, b] = one.points.slice(-2).map(([x, y]) => this.at(x, y));
      if (one.label) this.badge(a, b, one.label);
    }
  },

  // A label on a line: half way, or wherever along it no other label lies.
  badge(a, b, text) {
    const c = this._context;
    c.font = "600 12px system-ui, sans-serif";
    const width = c.measureText(text).width + 10;
    const free = ([x, y]) => !this.taken.some((t) => t[0] < x + width / 2 && t[2] > x - width / 2
      && t[1] < y + 9 && t[3] > y - 9);
    const places = [0.5, 0.65, 0.35, 0.8, 0.2].map((part) => [a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part]);
    for (const by of [22, -22, 44, -44]) places.push([places[0][0], places[0][1] + by]);
    const [x, y] = places.find(free) || places[0];
    c.fillStyle = "#ffffff";
    c.strokeStyle = "#000000";
    c.lineWidth = 1.5;
    c.beginPath();
    c.rect(x - width / 2, y - 9, width, 18);
    c.fill();
    c.stroke();
    c.fillStyle = "#000000";
    c.textAlign = "center";
    c.textBaseline = "middle";
    c.fillText(text, x, y + 0.5);
    this.taken.push([x - width / 2, y - 9, x + width / 2, y + 9]);
  },

  drawPoles() {
    const c = this._context;
    const { shown } = this.plan;
    const [x, y] = [shown.numbers("poles.x"), shown.numbers("poles.y")];
    const r = Math.max(1.6, 3.6 * this.k);
    c.fillStyle = "#ffffff";
    c.strokeStyle = "#1c1c1c";
    c.lineWidth = Math.max(0.8, 1.5 * this.k);
    this.inBatches(x.length, (i) => {
      if (!this.inBox(x[i], y[i])) return false;
      const [px, py] = this.at(x[i], y[i]);
      c.moveTo(px + r, py);
      c.arc(px, py, r, 0, 2 * Math.PI);
      this.hits.push({ type: "pole", index: i, x: px, y: py, r: r + 3 });
      return true;
    }, () => {
      c.fill();
      c.stroke();
    });
  },

  drawTerminals() {
    const { shown } = this.plan;
    const [x, y] = [shown.numbers("terminal.x"), shown.numbers("terminal.y")];
    const fill = shown.numbers("terminal.fill");
    const r = Math.max(2.4, 8 * this.k);
    for (let i = 0; i < x.length; i += 1) {
      if (!this.inBox(x[i], y[i])) continue;
      const [px, py] = this.at(x[i], y[i]);
      drawTerminal(this._context, px, py, r, fill[i] === NONE ? null : fill[i] / 1000);
      this.hits.push({ type: "terminal", index: i, x: px, y: py, r: r + 3 });
    }
  },

  drawMarks() {
    const c = this._context;
    const { plan, k } = this;
    const { off } = this.view;
    const { zoom } = this.f;
    const put = (shape, x, y, r, type, index) => {
      if (!this.inBox(x, y)) return;
      const [px, py] = this.at(x, y);
      drawShape(c, shape, px, py, r);
      if (type) this.hits.push({ type: type, index: index, x: px, y: py, r: r + 3 });
    };
    if (!off.has("crossings") && zoom >= 17) {
      plan.crossings.forEach((one, i) => {
        if (!one.isStreet && plan.visible[one.row]) put("ring", one.x, one.y, 4 * k, "crossing", i);
      });
    }
    if (!off.has("street_crossings") && zoom >= 15) {
      plan.crossings.forEach((one, i) => {
        if (one.isStreet && plan.visible[one.row]) put("diamond", one.x, one.y, (zoom < 18 ? 8 : 12) * k, "crossing", i);
      });
    }
    const from = { note: 16, warning: 15.5, error: 14 };
    // At small scale the diamond alone stands for a street crossing that nothing else is flagged at.
    const street = (plan.shown.words["flag.code"] || []).indexOf("street_crossing");
    const codes = plan.shown.numbers("flag.code");
    const isTold = zoom < 18 && !off.has("street_crossings");
    plan.marks.forEach((mark, i) => {
      const key = plan.look.severity_order[mark.severity];
      if (off.has("flags_" + key) || zoom < from[key] || !plan.visible[mark.row]) return;
      if (isTold && key !== "error" && mark.flags.every((flag) => codes[flag] === street)) return;
      const r = { note: 5, warning: zoom < 17.5 ? 5.5 : 7, error: 7 }[key] * k;
      put(plan.severityLook(mark.severity).shape, mark.x, mark.y, r, "mark", i);
    });
    for (const [status, name, shape] of [[ASIDE, "aside", "aside"], [UNSERVED, "unserved", "cross"]]) {
      if (off.has(name)) continue;
      const first = status === UNSERVED ? plan.dropCount : plan.dropCount + plan.unservedCount;
      const count = status === UNSERVED ? plan.unservedCount : plan.asideCount;
      for (let row = first; row < first + count; row += 1) {
        const place = plan.visible[row] ? plan.place(row) : null;
        if (place) put(shape, place[0], place[1], Math.max(2.6, 8.5 * k), "row", row);
      }
    }
  },

  drawNames() {
    const { plan } = this;
    const { off } = this.view;
    const { zoom } = this.f;
    if (zoom >= ROAD_NAMES && !off.has("roads")) this.drawRoadNames();
    if (zoom < PLANT_NAMES || off.has("names")) return;
    const { shown } = plan;
    const each = (name, act) => {
      const [x, y] = [shown.numbers(name + ".x"), shown.numbers(name + ".y")];
      for (let i = 0; i < x.length; i += 1) if (this.inBox(x[i], y[i])) act(i, ...this.at(x[i], y[i]));
    };
    const named = new Set();
    this.marked = this.hits.filter((hit) => hit.type !== "pole");
    if (!off.has("terminals")) {
      each("terminal", (i, x, y) => {
        named.add(shown.text("terminal.id", i));
        this.name([[x + 10, y - 9, "left"], [x - 10, y - 9, "right"], [x + 10, y + 11, "left"], [x - 10, y + 11, "right"]],
          shown.text("terminal.id", i), "700 12px", "#000000");
      });
    }
    for (let row = plan.dropCount; row < plan.dropCount + plan.unservedCount; row += 1) {
      const [px, py] = plan.place(row);
      if (off.has("unserved") || !plan.visible[row] || !this.inBox(px, py)) continue;
      const [x, y] = this.at(px, py);
      this.name([[x + 12, y, "left"], [x - 12, y, "right"], [x, y - 17, "center"], [x, y + 17, "center"]],
        plan.id(row), "700 12px", "#7a2a00");
    }
    if (!off.has("drops")) {
      for (let row = 0; row < plan.dropCount; row += 1) {
        if (!plan.visible[row]) continue;
        const last = plan.drops.start[row + 1] - 1;
        const [px, py] = [plan.drops.x[last], plan.drops.y[last]];
        if (!this.inBox(px, py)) continue;
        const [x, y] = this.at(px, py);
        const [fx, fy] = this.at(plan.drops.x[last - 1], plan.drops.y[last - 1]);
        const length = Math.hypot(x - fx, y - fy) || 1;
        const [dx, dy] = [(x - fx) / length, (y - fy) / length];
        this.name([[x + 16 * dx, y + 10 * dy, "center"], [x + 8, y - 10, "left"], [x - 8, y - 10, "right"],
          [x + 8, y + 11, "left"], [x - 8, y + 11, "right"]], plan.id(row), "12px", "#00325a");
      }
    }
    if (!off.has("poles")) {
      each("poles", (i, x, y) => {
        const text = shown.text("poles.id", i);
        if (!named.has(text)) {
          this.name([[x + 7, y + 9, "left"], [x - 7, y + 9, "right"], [x + 7, y - 9, "left"], [x - 7, y - 9, "right"]],
            text, "12px", "#3a3a3a");
        }
      });
    }
  },

  // Writes a name at the first of some places where it covers no other name and no mark; if there is
  // none, where it covers no other name; else not at all.
  name(places, text, font, color) {
    if (!text) return;
    const c = this._context;
    const short = text.length > 32 ? text.slice(0, 31) + "\u2026" : text;
    c.font = font + " system-ui, sans-serif";
    const width = c.measureText(short).width;
    let rest = null;
    for (const [x, y, align] of places) {
      const left = align === "center" ? x - width / 2 : align === "right" ? x - width : x;
      const place = { x: x, y: y, align: align, box: [left - 1, y - 7, left + width + 1, y + 7] };
      if (this.taken.some((t) => meets(t, place.box))) continue;
      rest = rest || place;
      if (this.marked.some((hit) => meets([hit.x - hit.r + 3, hit.y - hit.r + 3, hit.x + hit.r - 3, hit.y + hit.r - 3], place.box))) continue;
      rest = place;
      break;
    }
    if (!rest) return;
    this.taken.push(rest.box);
    this.write(rest.x, rest.y, short, color, rest.align);
  },

  write(x, y, text, color, align) {
    const c = this._context;
    c.textAlign = align;
    c.textBaseline = "middle";
    c.lineWidth = 3;
    c.strokeStyle = "rgba(255, 255, 255, 0.92)";
    c.strokeText(text, x, y);
    c.fillStyle = color;
    c.fillText(text, x, y);
  },

  // Written along the longest straight piece of each road that is in view.
  drawRoadNames() {
    const c = this._context;
    const lines = this.lines.roads;
    const view = L.bounds(this._map.containerPointToLayerPoint([8, 8]),
      this._map.containerPointToLayerPoint(this._map.getSize().subtract([8, 8])));
    const best = new Map();
    for (let i = 0; i < lines.length; i += 1) {
      const text = this.plan.shown.text("roads.name", i);
      if (!text || !lines.meets(i, this.box)) continue;
      for (let k = lines.start[i] + 1; k < lines.start[i + 1]; k += 1) {
        const a = L.point(this.at(lines.x[k - 1], lines.y[k - 1]));
        const b = L.point(this.at(lines.x[k], lines.y[k]));
        const piece = L.LineUtil.clipSegment(a, b, view);
        const length = piece ? piece[0].distanceTo(piece[1]) : 0;
        if (piece && length > (best.has(text) ? best.get(text).length : 0)) {
          best.set(text, { piece: piece, length: length });
        }
      }
    }
    c.font = "italic 12px system-ui, sans-serif";
    for (const [text, { piece, length }] of best) {
      const short = text.length > 40 ? text.slice(0, 39) + "\u2026" : text;
      const width = c.measureText(short).width;
      if (width + 20 > length) continue;
      const [a, b] = piece[0].x <= piece[1].x ? piece : [piece[1], piece[0]];
      const way = this.clearPart(a, b, length, width);
      const [x, y] = [a.x + (b.x - a.x) * way, a.y + (b.y - a.y) * way];
      // level boxes along the slanted name, so that later names keep off it
      for (let part = -0.5; part <= 0.5; part += 0.125) {
        const at = [x + (b.x - a.x) * part * width / length, y + (b.y - a.y) * part * width / length];
        this.taken.push([at[0] - 7, at[1] - 7, at[0] + 7, at[1] + 7]);
      }
      c.save();
      c.translate(x, y);
      c.rotate(Math.atan2(b.y - a.y, b.x - a.x));
      this.write(0, 0, short, "#4a4a4a", "center");
      c.restore();
    }
  },

  // How far along a piece of road its name covers the fewest marks; the middle if it is as good.
  clearPart(a, b, length, width) {
    const half = (width / 2 + 6) / length;
    let best = [0.5, Infinity];
    for (const part of [0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82]) {
      if (part - half < 0 || part + half > 1) continue;
      const [ax, ay] = [a.x + (b.x - a.x) * (part - half), a.y + (b.y - a.y) * (part - half)];
      const [bx, by] = [a.x + (b.x - a.x) * (part + half), a.y + (b.y - a.y) * (part + half)];
      const covered = this.hits.filter((hit) => distance(hit.x, hit.y, ax, ay, bx, by) < hit.r + 4).length;
      if (covered < best[1]) best = [part, covered];
      if (!covered) break;
    }
    return best[0];
  },

  // What lies under a point of the map: marks first, then terminals, drops, poles, roads.
  find(point) {
    const p = this._map.containerPointToLayerPoint(point);
    const order = ["row", "mark", "terminal", "crossing"];
    let best = null;
    for (let i = this.hits.length - 1; i >= 0; i -= 1) {
      const hit = this.hits[i];
      const far = Math.hypot(hit.x - p.x, hit.y - p.y);
      if (far > Math.max(hit.r, 6)) continue;
      const rank = hit.type === "pole" ? 9 : order.indexOf(hit.type);
      if (!best || rank < best.rank || (rank === best.rank && far < best.far)) {
        best = { type: hit.type, index: hit.index, rank: rank, far: far };
      }
    }
    if (best && best.rank < 9) return best;
    const drop = this.view.off.has("drops") ? null : this.nearestDrop(p, 7);
    return drop || best;
  },

  nearestDrop(p, within) {
    const { drops, visible } = this.plan;
    const { scale, ox, oy } = this.f;
    const [x, y, r] = [(p.x - ox) / scale, (p.y - oy) / scale, within / scale];
    const box = [x - r, y - r, x + r, y + r];
    let best = null;
    for (let i = 0; i < drops.length; i += 1) {
      if (!visible[i] || !drops.meets(i, box)) continue;
      for (let k = drops.start[i] + 1; k < drops.start[i + 1]; k += 1) {
        const isRun = k < drops.start[i + 1] - 1;
        const far = distance(x, y, drops.x[k - 1], drops.y[k - 1], drops.x[k], drops.y[k])
          + (isRun ? 2 / scale : 0);
        if (far <= r && (!best || far < best.far)) best = { type: "row", index: i, far: far };
      }
    }
    return best;
  },
});

function meets(a, b) {
  return a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1];
}

function distance(x, y, ax, ay, bx, by) {
  const [dx, dy] = [bx - ax, by - ay];
  const square = dx * dx + dy * dy;
  const t = square ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / square)) : 0;
  return Math.hypot(x - ax - t * dx, y - ay - t * dy);
}

// A terminal shows how full it is as a sector from the top; unknown is a dash.
function drawTerminal(c, x, y, r, fill) {
  c.beginPath();
  c.arc(x, y, r, 0, 2 * Math.PI);
  c.fillStyle = "#ffffff";
  c.fill();
  c.lineWidth = Math.max(1, r / 4);
  c.strokeStyle = "#000000";
  c.stroke();
  c.fillStyle = "#000000";
  if (fill === null) {
    c.fillRect(x - r / 2, y - r / 8, r, r / 4);
    return;
  }
  c.beginPath();
  if (fill < 1) c.moveTo(x, y);
  c.arc(x, y, r * 0.82, -Math.PI / 2, -Math.PI / 2 + 2 * Math.PI * Math.min(1, fill));
  c.closePath();
  c.fill();
}

const SHAPES = {
  square: { fill: "#d55e00" },
  triangle: { fill: "#e69f00" },
  circle: { fill: "#56b4e9" },
  diamond: { fill: "#f0e442" },
  ring: { fill: "#ffffff" },
  pole: { fill: "#ffffff" },
  cross: { fill: "#ffffff" },
  aside: { fill: "#ffffff" },
};

function drawShape(c, shape, x, y, r) {
  c.beginPath();
  if (shape === "square") c.rect(x - r, y - r, 2 * r, 2 * r);
  else if (shape === "triangle") {
    c.moveTo(x, y - 1.15 * r);
    c.lineTo(x + 1.1 * r, y + 0.85 * r);
    c.lineTo(x - 1.1 * r, y + 0.85 * r);
    c.closePath();
  } else if (shape === "diamond") {
    c.moveTo(x, y - r);
    c.lineTo(x + r, y);
    c.lineTo(x, y + r);
    c.lineTo(x - r, y);
    c.closePath();
  } else if (shape === "cross") c.rect(x - r, y - r, 2 * r, 2 * r);
  else c.arc(x, y, r, 0, 2 * Math.PI);
  c.fillStyle = SHAPES[shape].fill;
  c.fill();
  c.lineWidth = Math.max(0.9, Math.min(2, r / 4));
  c.strokeStyle = shape === "ring" || shape === "aside" ? "#555555" : "#000000";
  c.setLineDash(shape === "aside" ? [r / 2.2, r / 3] : []);
  c.stroke();
  c.setLineDash([]);
  if (shape === "cross") {
    const d = 0.55 * r;
    c.beginPath();
    c.moveTo(x - d, y - d);
    c.lineTo(x + d, y + d);
    c.moveTo(x + d, y - d);
    c.lineTo(x - d, y + d);
    c.strokeStyle = "#c04000";
    c.lineWidth = Math.max(1.2, r / 3);
    c.stroke();
  }
  if (shape === "aside" && r > 5) {
    c.fillStyle = "#333333";
    c.font = `700 ${Math.round(1.4 * r)}px system-ui, sans-serif`;
    c.textAlign = "center";
    c.textBaseline = "middle";
    c.fillText("?", x, y + 0.5);
  }
}
