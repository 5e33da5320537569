/* Search by address, terminal, pole or road; the form of the filter. */
"use strict";

const MOST_FOUND = 12;

function plain(text) {
  return String(text).normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
}

// All that can be searched for: list of [kind, index, text], the letters to match beside it.
function searchList(plan) {
  const { shown } = plan;
  const list = [];   // of equal matches the first ones are listed: the few before the many
  const roads = new Set();
  for (let i = 0; i < shown.count("roads.name"); i += 1) {
    const name = shown.text("roads.name", i);
    if (name === null || roads.has(name)) continue;
    roads.add(name);
    list.push({ type: "road", index: i, text: `Road ${name}` });
  }
  for (let i = 0; i < shown.count("terminal.id"); i += 1) {
    list.push({ type: "terminal", index: i, text: `Terminal ${shown.text("terminal.id", i)}` });
  }
  for (let i = 0; i < shown.count("poles.id"); i += 1) {
    list.push({ type: "pole", index: i, text: `Pole ${shown.text("poles.id", i)}` });
  }
  for (let row = 0; row < plan.count; row += 1) list.push({ type: "row", index: row, text: plan.title(row) });
  for (const one of list) one.plain = plain(one.text);
  return list;
}

// The best matches first: the whole text or a word of it, then its beginning, then anywhere.
function search(list, query) {
  const wanted = plain(query).trim();
  if (!wanted) return { found: [], count: 0 };
  const ranked = [[], [], [], []];
  let count = 0;
  for (const one of list) {
    const at = one.plain.indexOf(wanted);
    if (at < 0) continue;
    count += 1;
    const end = one.plain[at + wanted.length];
    const isStart = at === 0 || /[^\p{L}\p{N}]/u.test(one.plain[at - 1]);
    const isEnd = end === undefined || /[^\p{L}\p{N}]/u.test(end);
    const rank = isStart && isEnd ? 0 : at === 0 ? 1 : isStart ? 2 : 3;
    if (ranked[rank].length < MOST_FOUND) ranked[rank].push(one);
  }
  return { found: ranked.flat().slice(0, MOST_FOUND), count: count };
}

function searchBox(getList, choose) {
  const input = make("input", {
    type: "search", id: "gp-search", autocomplete: "off", spellcheck: "false", maxlength: 100,
    "aria-describedby": "gp-search-note",
  });
  const results = make("ul", { class: "gp-results", "aria-label": "Found" });
  const note = make("p", { id: "gp-search-note", class: "gp-small", role: "status" });
  let waiting = 0;
  const run = () => {
    const { found, count } = search(getList(), input.value);
    results.replaceChildren(...found.map((one) => make("li", {},
      make("button", { type: "button", class: "gp-result", on: { click: () => choose(one) } }, one.text))));
    if (!input.value.trim()) note.textContent = "";
    else if (!count) note.textContent = "Nothing found.";
    else note.textContent = count > found.length ? `${count} found, the nearest ${found.length} are listed.` : `${count} found.`;
  };
  input.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(run, 120);
  });
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter") {
      clearTimeout(waiting);
      run();
      const first = results.querySelector("button");
      if (first) first.click();
      event.preventDefault();
    } else if (event.key === "ArrowDown") {
      const first = results.querySelector("button");
      if (first) first.focus();
      event.preventDefault();
    } else if (event.key === "Escape") {
      input.value = "";
      run();
    }
  });
  results.addEventListener("keydown", (event) => {
    if (event.key !== "ArrowDown" && event.key !== "ArrowUp") return;
    const buttons = Array.from(results.querySelectorAll("button"));
    const next = buttons.indexOf(document.activeElement) + (event.key === "ArrowDown" ? 1 : -1);
    if (next < 0) input.focus();
    else if (next < buttons.length) buttons[next].focus();
    event.preventDefault();
  });
  return make("section", { class: "gp-part", "aria-labelledby": "gp-search-title" },
    make("h2", { id: "gp-search-title" }, "Find"),
    make("label", { for: "gp-search" }, "Address, terminal, pole or road"), input, note, results);
}

// The form of the filter. `changed` is told the filter whenever it is another one.
class FilterForm {
  constructor(plan, changed) {
    this.plan = plan;
    this.changed = changed;
    this.filter = openFilter();
    const { look, shown } = plan;
    const flags = countBy(shown, "flag.code");
    const option = (value, text) => make("option", { value: value }, text);
    this.flag = make("select", { id: "gp-flag" }, option("", "any or none"), option("none", "no flag"),
      ...[...look.severities].reverse().map((one) => option("at_least_" + one.key, one.key === "error" ? "an error" : `${one.label.toLowerCase()} or graver`)),
      ...flags.map(([code, count]) => option(code, `${words(code)} (${count})`)));
    this.street = make("select", { id: "gp-street" }, option("", "yes or no"), option("yes", "yes"), option("no", "no"));
    const [unit] = plan.values.units.sag;
    this.margin = make("input", { type: "text", inputmode: "decimal", id: "gp-margin", size: 8, maxlength: 12, "aria-describedby": "gp-margin-note" });
    this.terminal = make("input", { type: "text", id: "gp-terminal", maxlength: 100, autocomplete: "off", "aria-describedby": "gp-terminal-note" });
    this.terminalNote = make("span", { id: "gp-terminal-note", class: "gp-small", role: "status" });
    this.marginNote = make("span", { id: "gp-margin-note", class: "gp-small", role: "status" });
    this.crew = make("select", { id: "gp-crew", disabled: !plan.hasJobs }, option("", "any"),
      ...countNumbers(plan, "crew_size").map(([size, count]) => option(String(size), `${size} ${size === 1 ? "person" : "people"} (${count})`)));
    this.day = make("select", { id: "gp-day", disabled: !plan.hasJobs }, option("", "any"),
      ...countBy(shown, "drop.crew_day_id").map(([id, count]) => option(id, `${id} (${count})`)));
    this.kinds = look.kinds.map((kind) => this.box("kinds", kind.key, kind.label,
      swatch(kind), shown.numbers("drop.kind").filter((k) => look.kind_order[k] === kind.key).length));
    const totals = [plan.dropCount, plan.unservedCount, plan.asideCount];
    this.states = STATUS_KEYS.map((key, i) => this.box("status", key, STATUS_WORDS[i], null, totals[i]));
    const reset = make("button", { type: "button", class: "gp-button", on: { click: () => this.set(openFilter()) } }, "Show all");
    const field = (label, control, ...more) => make("p", { class: "gp-field" },
      make("label", { for: control.id }, label), control, ...more);
    this.element = make("section", { class: "gp-part", "aria-labelledby": "gp-filter-title" },
      make("h2", { id: "gp-filter-title" }, "Filter"),
      make("fieldset", {}, make("legend", {}, "Status"), ...this.states),
      make("fieldset", {}, make("legend", {}, "Route"), ...this.kinds),
      field("Flag", this.flag), field("Across a street", this.street),
      field(`Least margin at most (${unit})`, this.margin, this.marginNote),
      field("Terminal", this.terminal, this.terminalNote),
      field("Crew", this.crew), field("Crew day", this.day),
      plan.hasJobs ? null : make("p", { class: "gp-small" }, "Crew and crew days were not worked out for this plan."),
      reset);
    for (const one of [this.flag, this.street, this.crew, this.day]) one.addEventListener("change", () => this.read());
    for (const one of [this.margin, this.terminal]) one.addEventListener("change", () => this.read());
    this.write();
  }

  box(group, key, label, picture, count) {
    const input = make("input", { type: "checkbox", "data-group": group, "data-key": key, on: { change: () => this.read() } });
    return make("label", { class: "gp-check" }, input, picture, make("span", {}, `${label} (${count})`));
  }

  boxes(group) {
    return Array.from(this.element.querySelectorAll(`input[data-group=${group}]`));
  }

  // All boxes ticked asks for nothing; when the last tick goes, all come back.
  chosen(group) {
    const boxes = this.boxes(group);
    if (!boxes.some((one) => one.checked)) for (const one of boxes) one.checked = true;
    const on = boxes.filter((one) => one.checked);
    return new Set(on.length === boxes.length ? [] : on.map((one) => one.dataset.key));
  }

  read() {
    const filter = openFilter();
    filter.kinds = this.chosen("kinds");
    filter.status = this.chosen("status");
    filter.flag = this.flag.value;
    filter.street = this.street.value;
    filter.crew = this.crew.value;
    filter.day = this.day.value;
    const margin = this.margin.value.trim().replace(",", ".");
    filter.margin = margin !== "" && /^-?\d{1,6}(\.\d{1,4})?$/.test(margin) ? Number(margin) : null;
    filter.terminal = this.plan.terminalOf(this.terminal.value.trim()) >= 0 ? this.terminal.value.trim() : "";
    this.filter = filter;
    this.notes();
    this.changed(filter);
  }

  notes() {
    const isNumber = this.filter.margin !== null || this.margin.value.trim() === "";
    this.margin.setAttribute("aria-invalid", String(!isNumber));
    this.marginNote.textContent = isNumber ? (this.filter.margin === null ? "" : "Drops without a known margin stay.")
      : "Not a number, so it is not used.";
    const isKnown = this.filter.terminal !== "" || this.terminal.value.trim() === "";
    this.terminal.setAttribute("aria-invalid", String(!isKnown));
    this.terminalNote.textContent = isKnown ? "" : "No terminal has this name, so it is not used.";
  }

  set(filter) {
    this.filter = filter;
    this.write();
    this.notes();
    this.changed(filter);
  }

  write() {
    const { filter } = this;
    for (const group of ["kinds", "status"]) {
      for (const one of this.boxes(group)) one.checked = filter[group].size === 0 || filter[group].has(one.dataset.key);
    }
    this.flag.value = filter.flag;
    this.street.value = filter.street;
    this.crew.value = filter.crew;
    this.day.value = filter.day;
    this.margin.value = filter.margin === null ? "" : String(filter.margin);
    this.terminal.value = filter.terminal;
  }
}

function countBy(block, name) {
  if (!block.has(name)) return [];
  const counts = new Map();
  for (const code of block.numbers(name)) if (code !== NONE) counts.set(code, (counts.get(code) || 0) + 1);
  return Array.from(counts, ([code, count]) => [block.words[name][code], count])
    .sort((a, b) => (a[0] < b[0] ? -1 : 1));
}

function countNumbers(plan, name) {
  const counts = new Map();
  for (const value of plan.shown.numbers("drop." + name)) {
    if (value !== NONE) counts.set(value, (counts.get(value) || 0) + 1);
  }
  return Array.from(counts).sort((a, b) => a[0] - b[0]);
}

function swatch(kind) {
  return makeSvg("svg", { width: 40, height: 10, class: "gp-swatch", "aria-hidden": "true" },
    makeSvg("line", {
      x1: 0, y1: 5, x2: 40, y2: 5, stroke: kind.color, "stroke-width": kind.width,
      "stroke-dasharray": (kind.dashes || []).join(" ") || "none",
    }));
}
