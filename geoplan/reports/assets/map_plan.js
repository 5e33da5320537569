/* The plan as the page works with it: rows, words, and which rows the filter lets through. */
"use strict";

const SERVED = 0;
const UNSERVED = 1;
const ASIDE = 2;
const STATUS_WORDS = ["Served", "Unserved", "Set aside"];
const STATUS_KEYS = ["served", "unserved", "set_aside"];

function words(name) {
  return String(name).replaceAll("_", " ");
}

class Plan {
  constructor(shown) {
    this.shown = shown;
    this.told = null;  // read a little later
    this.values = shown.values;
    this.look = shown.values.look;
    this.grid = new Grid(shown.values);
    this.drops = new Lines(shown, "drop");
    this.dropCount = this.drops.length;
    this.unservedCount = shown.count("unserved.id");
    this.asideCount = shown.count("aside.row_id");
    this.count = this.dropCount + this.unservedCount + this.asideCount;
    this.visible = new Uint8Array(this.count).fill(1);
    this.hasJobs = shown.has("drop.crew_size");
    const lengths = this.lengthsOf();
    shown.fill("drop.air_span", (row) => lengths[row][0]);
    this.readCrossings();
    this.readFlags();
  }

  status(row) {
    if (row < this.dropCount) return SERVED;
    return row < this.dropCount + this.unservedCount ? UNSERVED : ASIDE;
  }

  // Number of a row within its own table.
  own(row) {
    const status = this.status(row);
    if (status === SERVED) return row;
    return status === UNSERVED ? row - this.dropCount : row - this.dropCount - this.unservedCount;
  }

  id(row) {
    const own = this.own(row);
    const status = this.status(row);
    if (status === SERVED) return this.shown.text("drop.id", own);
    if (status === UNSERVED) return this.shown.text("unserved.id", own);
    return this.shown.text("aside.row_id", own);
  }

  label(row) {
    const own = this.own(row);
    const status = this.status(row);
    if (status === SERVED) return this.shown.text("drop.label", own);
    if (status === UNSERVED) return this.shown.text("unserved.label", own);
    return words(this.shown.text("aside.layer", own) || "") + " row set aside";
  }

  title(row) {
    const label = this.label(row);
    return label ? `${this.id(row)}: ${label}` : String(this.id(row));
  }

  // Where a row is on the map: the house end of a drop; null where it isn't known.
  place(row) {
    const own = this.own(row);
    const status = this.status(row);
    if (status === SERVED) {
      const last = this.drops.start[own + 1] - 1;
      return [this.drops.x[last], this.drops.y[last]];
    }
    const name = status === UNSERVED ? "unserved" : "aside";
    const x = this.shown.numbers(name + ".x")[own];
    return x === NONE ? null : [x, this.shown.numbers(name + ".y")[own]];
  }

  number(name, row) {
    const value = this.shown.numbers("drop." + name)[row];
    return value === undefined ? NONE : value;
  }

  kind(row) {
    return this.look.kinds.find((kind) => kind.key === this.look.kind_order[this.number("kind", row)]);
  }

  say(value, quantity) {
    if (value === NONE || value === undefined) return "unknown";
    const [unit, decimals] = this.values.units[quantity];
    const text = (value / 10 ** decimals).toFixed(decimals);
    return unit ? `${text} ${unit}` : text;
  }

  // A place on a drop's air span, told by its distance from the pole or clamp.
  along(row, at) {
    const end = this.drops.start[row + 1] - 1;
    const [x, y] = [this.drops.x, this.drops.y];
    const span = this.number("air_span", row);
    const t = at === NONE || span <= 0 ? 1 : Math.max(0, Math.min(1, at / span));
    return [x[end - 1] + (x[end] - x[end - 1]) * t, y[end - 1] + (y[end] - y[end - 1]) * t];
  }

  // How far out each flag lies, see _add_flag_places in geoplan/reports/map/tables.py.
  readFlagPlaces() {
    const [rows, like, rest] = ["flag.row", "flag.like", "flag.at_else"].map((name) => this.shown.numbers(name));
    const crossed = this.shown.numbers("crossing.at");
    let next = 0;
    const at = new Int32Array(rows.length);
    for (let i = 0; i < rows.length; i += 1) {
      if (like[i] !== NONE) at[i] = crossed[this.crossingStart[rows[i]] + like[i]];
      else {
        at[i] = rest[next];
        next += 1;
      }
    }
    this.shown.cache.set("flag.at", at);
  }

  // Flags: the rows of each drop, the gravest of each, marks that share a place.
  readFlags() {
    this.readFlagPlaces();
    const rows = this.shown.numbers("flag.row");
    const severity = this.shown.numbers("flag.severity");
    const at = this.shown.numbers("flag.at");
    this.flagStart = starts(rows, this.dropCount);
    this.gravest = new Int8Array(this.dropCount).fill(-1);
    this.marks = [];
    const open = new Map();
    for (let i = 0; i < rows.length; i += 1) {
      const row = rows[i];
      if (i === 0 || rows[i - 1] !== row) open.clear();
      if (severity[i] > this.gravest[row]) this.gravest[row] = severity[i];
      let mark = open.get(at[i]);
      if (!mark) {
        const [x, y] = this.along(row, at[i]);
        mark = { row: row, x: x, y: y, severity: -1, flags: [] };
        open.set(at[i], mark);
        this.marks.push(mark);
      }
      mark.flags.push(i);
      mark.severity = Math.max(mark.severity, severity[i]);
    }
    this.marks.sort((a, b) => a.severity - b.severity);
  }

  readCrossings() {
    const rows = this.shown.numbers("crossing.row");
    const at = this.shown.numbers("crossing.at");
    const kind = this.shown.numbers("crossing.kind");
    const near = this.shown.numbers("crossing.near");
    const road = this.look.crossings.indexOf("road");
    this.crossingStart = starts(rows, this.dropCount);
    this.crossings = [];
    for (let i = 0; i < rows.length; i += 1) {
      const [x, y] = this.along(rows[i], at[i]);
      const isStreet = kind[i] === road && near[i] !== 1;
      this.crossings.push({ row: rows[i], x: x, y: y, index: i, isStreet: isStreet });
    }
  }

  flagsOf(row) {
    const severity = this.shown.numbers("flag.severity");
    const found = [];
    for (let i = this.flagStart[row]; i < this.flagStart[row + 1]; i += 1) found.push(i);
    return found.sort((a, b) => severity[b] - severity[a] || a - b);
  }

  severityLook(index) {
    const key = this.look.severity_order[index];
    return this.look.severities.find((one) => one.key === key);
  }

  rowOf(id) {
    if (!this.rowById) {
      this.rowById = new Map();
      for (let row = this.count - 1; row >= 0; row -= 1) {
        if (this.status(row) !== ASIDE) this.rowById.set(this.id(row), row);
      }
    }
    const row = this.rowById.get(id);
    return row === undefined ? -1 : row;
  }

  terminalOf(id) {
    if (!this.terminalById) {
      this.terminalById = new Map();
      for (let i = this.shown.count("terminal.id") - 1; i >= 0; i -= 1) {
        this.terminalById.set(this.shown.text("terminal.id", i), i);
      }
    }
    const found = this.terminalById.get(id);
    return found === undefined ? -1 : found;
  }

  lengthsOf() {
    const { drops } = this;
    return Array.from({ length: this.dropCount }, (_, row) => drawnLengths(
      this.values.lengths_per_cell, drops.start[row + 1] - drops.start[row],
      (k) => [drops.x[drops.start[row] + k], drops.y[drops.start[row] + k]]));
  }

  // Takes the second block, and works out the columns that it tells only the rest of.
  readTold(told) {
    const { shown } = this;
    const lengths = this.lengthsOf();
    told.fill("drop.strand_run", (row) => lengths[row][1]);
    told.fill("drop.clamp_at", (row) => lengths[row][2]);
    const known = (value) => (value === NONE ? 0 : value);
    const more = (margin) => Math.floor(known(margin) * this.values.lengths_per_sag + 0.5);
    const need = told.numbers("drop.margin_required");
    const margin = shown.numbers("drop.margin");
    told.fill("drop.margin_available", (row) => known(need[row]) + more(margin[row]));
    const at = shown.numbers("crossing.at");
    told.fill("crossing.start", (i) => known(at[i]));
    const start = told.numbers("crossing.start");
    told.fill("crossing.end", (i) => 2 * known(at[i]) - known(start[i]));
    const [required, over] = [told.numbers("crossing.required"), told.numbers("crossing.margin")];
    told.fill("crossing.available", (i) => known(required[i]) + more(over[i]));
    this.told = told;
  }

  // Where a crossing begins and ends along the air span.
  crossingEnd(i, isStart) {
    return this.told.numbers(isStart ? "crossing.start" : "crossing.end")[i];
  }

  // Lines of other routes, see _add_ways in geoplan/reports/map/tables.py.
  readWays() {
    const rows = this.told.numbers("other.row");
    const counts = this.told.numbers("other.n");
    const poles = this.told.numbers("other.pole");
    const [endX, endY] = [this.told.numbers("other.end_x"), this.told.numbers("other.end_y")];
    const [offX, offY] = [this.told.numbers("other.off_x"), this.told.numbers("other.off_y")];
    const [poleX, poleY] = [this.shown.numbers("poles.x"), this.shown.numbers("poles.y")];
    this.ways = [];
    let [at, off, pole] = [0, 0, 0];
    for (let i = 0; i < counts.length; i += 1) {
      const way = [];
      let [x, y] = [0, 0];
      for (let k = 1; k < counts[i]; k += 1) {
        if (poles[at] !== NONE) {
          pole += poles[at];
          [x, y] = [poleX[pole], poleY[pole]];
        } else {
          x += offX[off];
          y += offY[off];
          off += 1;
        }
        at += 1;
        way.push([x, y]);
      }
      const [ownX, ownY] = this.place(rows[i]);
      way.push([ownX + endX[i], ownY + endY[i]]);
      this.ways.push(way);
    }
    const lengths = this.ways.map((way) => drawnLengths(this.values.lengths_per_cell, way.length, (k) => way[k]));
    ["air_span", "strand_run", "clamp_at"].forEach((name, n) => this.told.fill(`other.${name}`, (i) => lengths[i][n]));
  }

  // Other routes of a row, by rank; known once all has been read.
  othersOf(row) {
    if (!this.othersByRow) {
      this.othersByRow = new Map();
      const rows = this.told.numbers("other.row");
      for (let i = 0; i < rows.length; i += 1) {
        if (!this.othersByRow.has(rows[i])) this.othersByRow.set(rows[i], []);
        this.othersByRow.get(rows[i]).push(i);
      }
      this.readWays();
    }
    return this.othersByRow.get(row) || [];
  }
}

// Where each row's entries begin, in a list that is sorted by row.
function starts(rows, count) {
  const out = new Int32Array(count + 1);
  for (let i = 0; i < rows.length; i += 1) out[rows[i] + 1] += 1;
  for (let i = 0; i < count; i += 1) out[i + 1] += out[i];
  return out;
}

// What may pass: everything, until something is asked for.
function openFilter() {
  return {
    kinds: new Set(), status: new Set(), flag: "", margin: null, terminal: "", crew: "", day: "",
    street: "",
  };
}

function applyFilter(plan, filter) {
  const { shown } = plan;
  const code = shown.numbers("flag.code");
  const severity = shown.numbers("flag.severity");
  const wanted = filter.flag.startsWith("at_least_")
    ? plan.look.severity_order.indexOf(filter.flag.slice("at_least_".length)) : -1;
  const codeIndex = wanted < 0 && filter.flag && filter.flag !== "none"
    ? (shown.words["flag.code"] || []).indexOf(filter.flag) : -1;
  const terminal = filter.terminal ? plan.terminalOf(filter.terminal) : -1;
  const margin = filter.margin === null ? null
    : Math.round(filter.margin * 10 ** plan.values.units.sag[1]);
  const onlyDrops = filter.kinds.size > 0 || filter.flag || filter.margin !== null
    || filter.terminal || filter.crew || filter.day || filter.street;
  let count = 0;
  for (let row = 0; row < plan.count; row += 1) {
    const status = plan.status(row);
    let ok = filter.status.size === 0 || filter.status.has(STATUS_KEYS[status]);
    if (ok && onlyDrops) ok = status === SERVED && dropPasses(row);
    plan.visible[row] = ok ? 1 : 0;
    count += ok ? 1 : 0;
  }
  return count;

  function dropPasses(row) {
    if (filter.kinds.size && !filter.kinds.has(plan.look.kind_order[plan.number("kind", row)])) return false;
    if (filter.terminal && plan.number("terminal", row) !== terminal) return false;
    if (margin !== null) {
      const value = plan.number("margin", row);
      if (value !== NONE && value > margin) return false;
    }
    if (filter.street && (plan.number("street", row) === 1) !== (filter.street === "yes")) return false;
    if (filter.crew && String(plan.number("crew_size", row)) !== filter.crew) return false;
    if (filter.day && plan.shown.text("drop.crew_day_id", row) !== filter.day) return false;
    if (!filter.flag) return true;
    if (filter.flag === "none") return plan.gravest[row] < 0;
    if (wanted >= 0) return plan.gravest[row] >= wanted;
    for (let i = plan.flagStart[row]; i < plan.flagStart[row + 1]; i += 1) {
      if (code[i] === codeIndex && severity[i] !== NONE) return true;
    }
    return false;
  }
}
