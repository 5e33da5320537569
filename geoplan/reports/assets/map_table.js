/* The table beside the map: rows that the filter lets through, sorted, a page at a time. */
"use strict";

const ROWS_PER_PAGE = 50;

class SideTable {
  constructor(plan, choose) {
    this.plan = plan;
    this.choose = choose;
    this.sort = { key: "address", down: false };
    this.page = 0;
    this.order = [];
    this.columns = this.listColumns();
    this.heads = new Map();
    const head = make("tr");
    for (const column of this.columns) {
      const button = make("button", { type: "button", class: "gp-sort", on: { click: () => this.sortBy(column.key) } }, column.label);
      const cell = make("th", { scope: "col" }, button);
      this.heads.set(column.key, cell);
      head.append(cell);
    }
    this.body = make("tbody");
    this.note = make("p", { class: "gp-small", role: "status" });
    this.back = make("button", { type: "button", class: "gp-button", on: { click: () => this.turn(-1) } }, "Previous rows");
    this.forth = make("button", { type: "button", class: "gp-button", on: { click: () => this.turn(1) } }, "Next rows");
    this.element = make("section", { class: "gp-part", "aria-labelledby": "gp-table-title" },
      make("h2", { id: "gp-table-title" }, "Table"), this.note,
      make("p", { class: "gp-small" }, "An address's name goes to it on the map. Costs are in the project's currency."),
      make("div", { class: "gp-scroll", tabindex: "0", role: "region", "aria-label": "Table of addresses, scrolls sideways" },
        make("table", {},
          make("caption", {}, "Addresses that the filter lets through."),
          make("thead", {}, head), this.body)),
      make("p", {}, this.back, " ", this.forth));
  }

  listColumns() {
    const { plan } = this;
    const drop = (row, name) => (plan.status(row) === SERVED ? plan.number(name, row) : NONE);
    const figure = (name, quantity) => ({
      number: (row) => drop(row, name),
      text: (row) => (plan.status(row) !== SERVED ? "" : name === "margin" && drop(row, name) === NONE ? "not checked" : plan.say(drop(row, name), quantity)),
    });
    const route = (row) => (plan.status(row) === SERVED ? plan.kind(row).label : STATUS_WORDS[plan.status(row)]);
    const terminal = (row) => {
      const index = drop(row, "terminal");
      return index === NONE ? "" : plan.shown.text("terminal.id", index);
    };
    const columns = [
      { key: "address", label: "Address", text: (row) => String(plan.id(row)) },
      { key: "label", label: "Place", text: (row) => plan.label(row) || "" },
      { key: "route", label: "Route", text: route },
      { key: "terminal", label: "Terminal", text: terminal },
      { key: "air_span", label: "Air span", ...figure("air_span", "length") },
      { key: "margin", label: "Least margin", ...figure("margin", "sag") },
      { key: "cost", label: "Cost", ...figure("cost", "cost") },
      {
        key: "flags", label: "Flags",
        number: (row) => (plan.status(row) === SERVED ? plan.gravest[row] * 1000 + this.flagCount(row) : NONE),
        text: (row) => {
          if (plan.status(row) !== SERVED) return "";
          const count = this.flagCount(row);
          return count ? `${count} (${plan.severityLook(plan.gravest[row]).label.toLowerCase()})` : "none";
        },
      },
      {
        key: "crew", label: "Crew", number: (row) => drop(row, "crew_size"),
        text: (row) => (plan.status(row) !== SERVED ? "" : drop(row, "crew_size") === NONE ? "not worked out" : String(drop(row, "crew_size"))),
      },
    ];
    return plan.hasJobs ? columns : columns.slice(0, -1);
  }

  flagCount(row) {
    return this.plan.flagStart[row + 1] - this.plan.flagStart[row];
  }

  sortBy(key) {
    this.sort = { key: key, down: this.sort.key === key && !this.sort.down };
    this.page = 0;
    this.update();
  }

  turn(by) {
    this.page += by;
    this.write();
  }

  // Rows that are let through, in the order asked for; unknown comes last either way.
  update() {
    const { plan } = this;
    const column = this.columns.find((one) => one.key === this.sort.key);
    const rows = [];
    for (let row = 0; row < plan.count; row += 1) if (plan.visible[row]) rows.push(row);
    const way = this.sort.down ? -1 : 1;
    if (column.number) {
      const keys = new Map(rows.map((row) => [row, column.number(row)]));
      rows.sort((a, b) => {
        const [p, q] = [keys.get(a), keys.get(b)];
        if ((p === NONE) !== (q === NONE)) return p === NONE ? 1 : -1;
        return (p - q) * way || a - b;
      });
    } else {
      const compare = new Intl.Collator("en", { numeric: true }).compare;
      const keys = new Map(rows.map((row) => [row, column.text(row)]));
      rows.sort((a, b) => {
        const [p, q] = [keys.get(a), keys.get(b)];
        if ((p === "") !== (q === "")) return p === "" ? 1 : -1;
        return compare(p, q) * way || a - b;
      });
    }
    this.order = rows;
    this.page = 0;
    this.write();
  }

  write() {
    const pages = Math.max(1, Math.ceil(this.order.length / ROWS_PER_PAGE));
    this.page = Math.max(0, Math.min(pages - 1, this.page));
    const first = this.page * ROWS_PER_PAGE;
    const rows = this.order.slice(first, first + ROWS_PER_PAGE);
    this.body.replaceChildren(...rows.map((row) => this.line(row)));
    for (const [key, cell] of this.heads) {
      if (key === this.sort.key) cell.setAttribute("aria-sort", this.sort.down ? "descending" : "ascending");
      else cell.removeAttribute("aria-sort");
    }
    this.note.textContent = rows.length
      ? `Rows ${first + 1} to ${first + rows.length} of ${this.order.length}.` : "No row passes the filter.";
    this.back.disabled = this.page === 0;
    this.forth.disabled = this.page >= pages - 1;
    this.mark();
  }

  line(row) {
    const cells = this.columns.map((column, i) => {
      if (i) return make("td", { class: column.number ? "gp-number" : null }, column.text(row));
      return make("th", { scope: "row" }, make("button", {
        type: "button", class: "gp-link", on: { click: () => this.choose(row) },
      }, column.text(row)));
    });
    return make("tr", { "data-row": row, on: { click: (event) => { if (event.target.tagName !== "BUTTON") this.choose(row); } } }, ...cells);
  }

  // Shows which row is chosen.
  mark(row) {
    if (row !== undefined) this.chosen = row;
    for (const line of this.body.children) {
      if (Number(line.dataset.row) === this.chosen) line.setAttribute("aria-current", "true");
      else line.removeAttribute("aria-current");
    }
  }

  // The row before or after one in the table's order.
  beside(row, by) {
    const at = this.order.indexOf(row);
    if (!this.order.length) return -1;
    if (at < 0) return this.order[0];
    return this.order[(at + by + this.order.length) % this.order.length];
  }
}
