/* Reads the packed blocks of the page, see geoplan/reports/map/pack.py. */
"use strict";

const NONE = -2147483648;  // stands for unknown in every column

class Block {
  constructor(head, body) {
    this.values = head.values;
    this.columns = head.columns;
    this.words = head.words;
    this.body = body;
    this.cache = new Map();
  }

  has(name) {
    return Object.prototype.hasOwnProperty.call(this.columns, name);
  }

  // A column as whole numbers; read once.
  numbers(name) {
    const known = this.cache.get(name);
    if (known) return known;
    if (!this.has(name)) return new Int32Array(0);
    const [count, width, start, steps] = this.columns[name];
    const body = this.body;
    const out = new Int32Array(count);
    let last = 0;
    for (let i = 0; i < count; i += 1) {
      let code = 0;
      for (let b = width - 1; b >= 0; b -= 1) code = code * 256 + body[start + b * count + i];
      if (code === 0) {
        out[i] = NONE;
        continue;
      }
      code -= 1;
      let value = code % 2 ? -(code + 1) / 2 : code / 2;
      if (steps) {
        value += last;
        last = value;
      }
      out[i] = value;
    }
    this.cache.set(name, out);
    return out;
  }

  // Puts in a column that was worked out: what is guessed for each row, and the rest that was told.
  fill(name, guess) {
    const rest = this.numbers(name + "_rest");
    const out = new Int32Array(rest.length);
    for (let i = 0; i < rest.length; i += 1) out[i] = rest[i] === NONE ? NONE : guess(i) + rest[i];
    this.cache.set(name, out);
  }

  // The text of a row; null where there is none.
  text(name, row) {
    if (!this.has(name)) return null;
    const code = this.numbers(name)[row];
    return code === NONE || code === undefined ? null : this.words[name][code];
  }

  count(name) {
    return this.has(name) ? this.columns[name][0] : 0;
  }
}

const LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%()*+,-./:;=?@[]^_{|}~";

// Five letters are a number to base 85: four bytes, high byte first. The first number is how many
// bytes there are.
function fromLetters(text) {
  const value = new Uint8Array(128);
  for (let i = 0; i < 85; i += 1) value[LETTERS.charCodeAt(i)] = i;
  const bytes = new Uint8Array(text.length / 5 * 4);
  for (let i = 0, k = 0; i < text.length; i += 5, k += 4) {
    let number = 0;
    for (let d = 0; d < 5; d += 1) number = number * 85 + value[text.charCodeAt(i + d)];
    bytes[k] = number / 16777216;
    bytes[k + 1] = number >>> 16;
    bytes[k + 2] = number >>> 8;
    bytes[k + 3] = number;
  }
  const length = ((bytes[0] * 256 + bytes[1]) * 256 + bytes[2]) * 256 + bytes[3];
  return bytes.subarray(4, 4 + length);
}

async function unpackBlock(id) {
  const packed = fromLetters(document.getElementById(id).textContent);
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  const raw = new Uint8Array(await new Response(stream).arrayBuffer());
  const length = raw[0] + 256 * (raw[1] + 256 * (raw[2] + 256 * raw[3]));
  const head = JSON.parse(new TextDecoder().decode(raw.subarray(4, 4 + length)));
  return new Block(head, raw.subarray(4 + length));
}

// Places on the grid of the page, see geoplan/reports/map/places.py.
const WORLD = 4294967296;

class Grid {
  constructor(values) {
    [this.x, this.y] = values.origin;
    this.cellsPerMetre = values.cells_per_m;
  }

  latLng(x, y) {
    const turn = (0.5 - (y + this.y) / WORLD) * 2 * Math.PI;
    return L.latLng(Math.atan(Math.sinh(turn)) * 180 / Math.PI, (x + this.x) / WORLD * 360 - 180);
  }

  cell(latlng) {
    const angle = latlng.lat * Math.PI / 180;
    return [
      (latlng.lng + 180) / 360 * WORLD - this.x,
      (0.5 - Math.asinh(Math.tan(angle)) / (2 * Math.PI)) * WORLD - this.y,
    ];
  }

  bounds(box) {
    return L.latLngBounds(this.latLng(box[0], box[1]), this.latLng(box[2], box[3]));
  }
}

// Lines or rings: where each begins in the list of corners, and its box.
class Lines {
  constructor(block, name, isCoarse) {
    const counts = block.numbers(name + ".n");
    const by = isCoarse ? block.values.coarse : 1;
    this.x = block.numbers(name + ".x").map((one) => one * by);
    this.y = block.numbers(name + ".y").map((one) => one * by);
    this.length = counts.length;
    this.start = new Int32Array(counts.length + 1);
    this.box = new Int32Array(4 * counts.length);
    let at = 0;
    for (let i = 0; i < counts.length; i += 1) {
      let west = Infinity;
      let north = Infinity;
      let east = -Infinity;
      let south = -Infinity;
      for (const end = at + counts[i]; at < end; at += 1) {
        west = Math.min(west, this.x[at]);
        east = Math.max(east, this.x[at]);
        north = Math.min(north, this.y[at]);
        south = Math.max(south, this.y[at]);
      }
      this.start[i + 1] = at;
      this.box.set([west, north, east, south], 4 * i);
    }
  }

  meets(i, view) {
    const b = 4 * i;
    return this.box[b] <= view[2] && this.box[b + 2] >= view[0]
      && this.box[b + 1] <= view[3] && this.box[b + 3] >= view[1];
  }

  boxOf(i) {
    return Array.from(this.box.subarray(4 * i, 4 * i + 4));
  }
}

// Makes an element; children that are texts go in as text.
function make(name, properties, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(properties || {})) {
    if (key === "class") made.className = value;
    else if (key === "on") {
      for (const [event, act] of Object.entries(value)) made.addEventListener(event, act);
    } else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== undefined && value !== null) {
      made.setAttribute(key, String(value));
    }
  }
  for (const child of children) if (child !== null && child !== undefined) made.append(child);
  return made;
}

// Lengths of a drawn line in figures as columns hold them: air span, strand run, last of the run.
// Summed and rounded as in geoplan/reports/map/lengths.py, to the same whole numbers.
function drawnLengths(perCell, count, corner) {
  const piece = (k) => {
    const [a, b] = [corner(k - 1), corner(k)];
    const [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    return Math.sqrt(dx * dx + dy * dy);
  };
  let run = 0;
  for (let k = 1; k < count - 1; k += 1) run += piece(k);
  const whole = (cells) => Math.floor(cells * perCell + 0.5);
  return [whole(piece(count - 1)), whole(run), whole(count > 2 ? piece(count - 2) : 0)];
}

function makeSvg(name, properties, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(properties || {})) made.setAttribute(key, String(value));
  for (const child of children) if (child !== null && child !== undefined) made.append(child);
  return made;
}
