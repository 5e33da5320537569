/* Writes what is known of a drop, an unserved address, a terminal, a pole or a mark. */
"use strict";

// Rows of label and text, as a list; texts go in as text.
function facts(rows) {
  const list = make("dl", { class: "gp-facts" });
  for (const [label, value] of rows) {
    if (value === null) continue;
    list.append(make("dt", {}, label), make("dd", {}, value));
  }
  return list;
}

function section(title, ...content) {
  return make("section", { class: "gp-part" }, make("h3", {}, title), ...content);
}

function sentence(text) {
  const whole = text.slice(0, 1).toUpperCase() + text.slice(1);
  return /[.!?\u2026]$/.test(whole) ? whole : whole + ".";
}

function rowDetails(page, row) {
  const status = page.plan.status(row);
  if (status === SERVED) return dropDetails(page, row);
  return status === UNSERVED ? unservedDetails(page, row) : asideDetails(page, row);
}

function dropDetails(page, row) {
  const { plan } = page;
  const { told } = plan;
  const say = (name, quantity) => plan.say(told.numbers("drop." + name)[row], quantity);
  const known = (name) => told.numbers("drop." + name)[row] !== NONE;
  const text = (name) => told.text("drop." + name, row);
  const flag = (name) => told.numbers("drop." + name)[row] === 1;
  const box = make("div");
  box.append(facts([
    ["Route", plan.kind(row).label],
    ["Terminal", make("span", {}, terminalLink(page, text("terminal_id")),
      flag("is_locked") ? ", the only one that the address may have" : "")],
    ["Across a street", plan.number("street", row) === 1 ? "yes" : "no"],
    ["Cost", `${plan.say(plan.number("cost", row), "cost")}, in the project's currency`],
    ["Ruled out", text("clearance_note")],
  ]));
  box.append(section("Flags", ...flagList(page, plan.flagsOf(row), text("clearance_note"))));
  const picture = profilePicture(plan, row);
  box.append(section("Profile", picture || make("p", {},
    "No picture: heights or sag of this air span are not known.")));
  const isClamp = known("clamp_at");
  const raised = (name) => (flag(name) ? ", raised above its usual place" : "");
  const margin = plan.number("margin", row);
  const share = known("tension_worst") && known("tension_limit") && told.numbers("drop.tension_limit")[row] > 0
    ? `${(100 * told.numbers("drop.tension_worst")[row] / told.numbers("drop.tension_limit")[row]).toFixed(0)} % of its limit`
    : "unknown share of its limit";
  box.append(section("Figures", facts([
    ["Air span", plan.say(plan.number("air_span", row), "length")],
    ["Along strand", say("strand_run", "length")],
    ["Span clamp", isClamp ? `${say("clamp_at", "length")} from pole ${text("access_pole_id")}` : null],
    [isClamp ? "Clamp height" : "Hook height", `${say("hook_height", "length")} above ground${raised("hook_is_raised")}`],
    ["House height", `${say("attachment_height", "length")} above ground${raised("attachment_is_raised")}`],
    ["Heights are", words(text("height_basis") || "unknown")],
    ["Ground is", text("ground_basis") === "default" ? "assumed level: check on site" : words(text("ground_basis") || "unknown")],
    ["Sag to leave", `${say("stringing_sag", "sag")} at ${say("stringing_temperature", "temperature")}, `
      + `which is a tension of ${say("stringing_tension", "force")}`],
    ["Worst sag", `${say("sag_worst", "sag")} (${words(text("sag_worst_case") || "unknown case")})`],
    ["Tension", `${share}: ${say("tension_worst", "force")} of ${say("tension_limit", "force")} (${words(text("tension_case") || "unknown case")})`],
    ["Least margin", margin === NONE ? "not checked: no clearance was worked out"
      : `${plan.say(margin, "sag")} at ${text("margin_over") || "unknown"}, ${say("margin_at", "length")} out: `
        + `${say("margin_required", "length")} required, ${say("margin_available", "length")} there `
        + `(${words(text("margin_case") || "unknown case")})`],
    ["Rule", text("margin_rule")],
    ["Pole power", poleWords(text("pole_power_basis"))],
    ...ladderFacts(page, row, isClamp),
    ["Ports", `${told.numbers("drop.ports_needed")[row]}` + (told.numbers("drop.reserve_ports_used")[row] > 0
      ? `, ${told.numbers("drop.reserve_ports_used")[row]} of them from the reserve` : "")],
  ])));
  box.append(section("Crossings", crossingList(page, row)));
  box.append(section("Work", workFacts(page, row)));
  box.append(section("Runner-up routes", ...runnersUp(page, row)));
  return box;
}

function poleWords(basis) {
  if (basis === "computed") return "separation on the pole worked out";
  if (basis === "not_checked") return "not checked: no heights of power on the pole";
  return basis === "none" ? "none at the pole in the layers" : null;
}

function ladderFacts(page, row, isClamp) {
  if (!isClamp) return [];
  const { plan } = page;
  const { told } = plan;
  const value = (name) => told.numbers("drop." + name)[row];
  const shift = (name) => {
    const by = value(name);
    if (by === NONE) return "shifted by an unknown length";
    return `${plan.say(Math.abs(by), "sag")} toward the ${by >= 0 ? "house" : "street"}`;
  };
  const ladder = told.text("drop.strand_ladder", row);
  const rows = [];
  if (ladder === null) rows.push(["Ladder", "not checked whether the strand may bear one"]);
  else if (ladder !== "allowed") {
    const why = Object.prototype.hasOwnProperty.call(plan.values.ladder, ladder)
      ? plan.values.ladder[ladder] : words(ladder);
    rows.push(["Bucket job", `no ladder on this strand: ${why}`]);
  } else {
    rows.push(["Ladder", "may lean on the strand"]);
    if (value("ladder_sag") !== NONE) {
      rows.push(["Ladder on", `sag ${plan.say(value("ladder_sag"), "sag")}; clamp ${shift("ladder_shift")}`]);
    }
  }
  if (value("clamp_shift") !== NONE) {
    const sink = value("clamp_sink");
    rows.push(["Ladder gone", `clamp ${shift("clamp_shift")}, ${sink < 0 ? "higher" : "lower"} by `
      + plan.say(sink === NONE ? NONE : Math.abs(sink), "sag")]);
  }
  return rows;
}

function workFacts(page, row) {
  const { plan } = page;
  const { told } = plan;
  const box = make("div");
  if (!plan.hasJobs || plan.number("crew_size", row) === NONE) {
    box.append(make("p", {}, "Crew and crew day were not worked out."));
  } else {
    box.append(facts([
      ["Crew", `${plan.number("crew_size", row)}`],
      ["Why", told.text("drop.crew_reasons", row)],
      ["Traffic", words(plan.shown.text("drop.traffic_class", row) || "unknown")],
      ["Why", told.text("drop.traffic_reasons", row)],
      ["Crew day", plan.shown.text("drop.crew_day_id", row) || "not scheduled"],
    ]));
  }
  const sheet = told.text("drop.sheet", row);
  if (sheet && /^[A-Za-z0-9][A-Za-z0-9.-]*$/.test(sheet)) {
    const folder = plan.values.area ? "../sheets/" : "sheets/";
    box.append(make("p", {}, make("a", { href: folder + sheet }, `Job sheet of ${plan.id(row)}`)));
  } else {
    box.append(make("p", {}, "No job sheet was written; the command \u201cgeoplan sheets\u201d makes them."));
  }
  return box;
}

function flagList(page, flags, except) {
  const { plan } = page;
  const { told, shown } = plan;
  const items = flags.filter((i) => except === null || told.text("flag.what", i) !== except).map((i) => {
    const look = plan.severityLook(shown.numbers("flag.severity")[i]);
    return make("li", { class: "gp-flag" },
      make("p", {}, symbol(look.shape), make("strong", {}, ` ${look.label}. `),
        sentence(told.text("flag.what", i) || "unknown")),
      make("p", {}, sentence(told.text("flag.remedy", i) || "no remedy is told")),
      make("p", { class: "gp-small" },
        `${shown.text("flag.code", i)}, by ${told.text("flag.setting", i) || "no setting"}; `
        + `${plan.say(shown.numbers("flag.at")[i], "length")} out`));
  });
  if (!items.length) {
    return [make("p", {}, flags.length ? "None but the route that was ruled out."
      : "None were raised by what was checked; see About for what was not.")];
  }
  return [make("ul", { class: "gp-list" }, ...items)];
}

function clearanceWords(page, i) {
  const { plan } = page;
  const { told } = plan;
  const text = (name) => told.text("crossing." + name, i);
  const say = (name, quantity) => plan.say(told.numbers("crossing." + name)[i], quantity);
  const basis = text("clearance_basis");
  const note = text("clearance_note");
  if (basis === "not_checked") return `Clearance not checked: ${note || "reason unknown"}`;
  if (basis === "none") return "Nothing to clear" + (note ? `: ${note}` : "");
  return `Required ${say("required", "length")}, available ${say("available", "length")}: margin `
    + `${say("margin", "sag")} (${words(text("margin_case") || "unknown case")}). Rule: ${text("rule") || "unknown"}`
    + (note ? `. Assumed: ${note}` : "");
}

function crossingWords(page, i) {
  const { plan } = page;
  const { told, shown } = plan;
  const kind = plan.look.crossings[shown.numbers("crossing.kind")[i]];
  const isNear = shown.numbers("crossing.near")[i] === 1;
  const name = told.text("crossing.feature_name", i) || told.text("crossing.feature_id", i) || "";
  const say = (column, quantity) => plan.say(told.numbers("crossing." + column)[i], quantity);
  let head = `${isNear ? "Near" : "Crosses"} ${words(kind)} ${name}`;
  if (isNear) head += `, ${say("distance", "length")} off in plan`;
  else if (plan.crossingEnd(i, true) !== NONE) {
    head += `, ${plan.say(plan.crossingEnd(i, true), "length")} to ${plan.say(plan.crossingEnd(i, false), "length")} out`;
  }
  if (kind === "road" && !isNear) {
    head += `; ${told.text("crossing.feature_class", i) || "class unknown"}, at ${say("angle", "angle")},`
      + ` carriageway ${say("width", "length")};`
      + ` permit: ${told.text("crossing.jurisdiction", i) || "the road's owner"}`;
  }
  return head;
}

function crossingList(page, row) {
  const { plan } = page;
  const items = [];
  for (let i = plan.crossingStart[row]; i < plan.crossingStart[row + 1]; i += 1) {
    items.push(make("li", {}, make("p", {}, sentence(crossingWords(page, i))),
      make("p", { class: "gp-small" }, sentence(clearanceWords(page, i)))));
  }
  if (!items.length) return make("p", {}, "None in the layers that were brought.");
  return make("ul", { class: "gp-list" }, ...items);
}

const OTHER_DASHES = [[10, 4], [3, 3], [12, 3, 2, 3], [6, 2]];

function runnersUp(page, row) {
  const { plan } = page;
  const { told } = plan;
  const others = plan.othersOf(row);
  if (!others.length) {
    return [make("p", {}, plan.values.alternatives === 0
      ? "None were kept: choice.alternatives is 0." : "No other route within the limits.")];
  }
  const overlay = () => others.map((i, number) => {
    const points = plan.ways[i];
    const rank = told.numbers("other.rank")[i];
    const extra = told.numbers("other.extra_cost")[i];
    return {
      points: points, dashes: OTHER_DASHES[number % OTHER_DASHES.length], color: "#5b3a8c",
      label: extra === NONE ? `${rank}` : `${rank}: ${extra < 0 ? "\u2212" : "+"}${plan.say(Math.abs(extra), "cost")}`,
    };
  });
  const button = make("button", { type: "button", "aria-pressed": "false", class: "gp-button" },
    "Draw on the map");
  button.addEventListener("click", () => {
    const on = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(on));
    page.setOverlay(on ? overlay() : []);
    if (on) page.showBox(boxOfPoints(overlay().flatMap((one) => one.points).concat([plan.place(row)])));
  });
  const list = make("ol", { class: "gp-list" });
  for (const i of others) {
    const kind = plan.look.kinds.find((one) => one.key === plan.look.kind_order[told.numbers("other.kind")[i]]);
    const extra = told.numbers("other.extra_cost")[i];
    const clamp = told.numbers("other.clamp_at")[i];
    const price = extra === NONE ? `costs ${plan.say(told.numbers("other.cost")[i], "cost")}`
      : `costs ${plan.say(Math.abs(extra), "cost")} ${extra < 0 ? "less" : "more"}`;
    const why = told.text("other.why_not", i);
    list.append(make("li", { value: told.numbers("other.rank")[i] },
      make("p", {}, `${kind.label}, from `, terminalLink(page, told.text("other.terminal_id", i)),
        `: ${price}${why ? `; ${why}` : ""}.`),
      make("p", { class: "gp-small" },
        `Air span ${plan.say(told.numbers("other.air_span")[i], "length")}, along strand `
        + plan.say(told.numbers("other.strand_run")[i], "length")
        + (clamp === NONE ? "" : `, clamp ${plan.say(clamp, "length")} from pole ${told.text("other.access_pole_id", i)}`)
        + (told.numbers("other.street")[i] === 1 ? ", across a street" : ""))));
  }
  return [button, list];
}

function boxOfPoints(points) {
  const [x, y] = [points.map((p) => p[0]), points.map((p) => p[1])];
  return [Math.min(...x), Math.min(...y), Math.max(...x), Math.max(...y)];
}

function unservedDetails(page, row) {
  const { plan } = page;
  const { told, shown } = plan;
  const own = plan.own(row);
  const text = (name) => told.text("unserved." + name, own);
  const say = (name, quantity) => {
    const value = told.numbers("unserved." + name)[own];
    return value === NONE ? null : plan.say(value, quantity);
  };
  const pole = text("new_terminal_pole_id");
  const near = text("nearest_terminal_id");
  const box = make("div");
  box.append(facts([
    ["Why", sentence(text("reasons") || "unknown")],
    ["Code", shown.text("unserved.code", own)],
    ["Nearest remedy", sentence(text("remedy") || "none is known")],
    ["Clearance", say("clearance_miss", "sag") ? `${say("clearance_miss", "sag")} short of clearance and the margin asked for` : null],
    ["Too long by", say("excess", "length")],
    ["With a port more", say("cost_if_port_added", "cost") ? `the route would cost ${say("cost_if_port_added", "cost")}` : null],
    ["Nearest terminal", near ? make("span", {}, terminalLink(page, near), `, ${say("nearest_terminal", "length") || "unknown"} off`) : "none"],
    ["New terminal on", pole || "no pole near enough"],
  ]));
  const lines = remedyLines(page, own, plan.place(row));
  box.append(make("p", { class: "gp-small" }, lines.length
    ? "On the map: dotted to the nearest terminal, dashed to the pole that a new terminal would serve it from."
    : "No place of a remedy is known, so none is drawn."));
  const others = plan.othersOf(row);
  if (others.length) box.append(section("Routes it would have, were there a port", ...runnersUp(page, row)));
  return box;
}

// Lines from an unserved address to what would mend it.
function remedyLines(page, own, place) {
  const { told } = page.plan;
  const lines = [];
  for (const [name, label, dashes] of [
    ["nearest_terminal_id", "nearest terminal", [2, 5]], ["new_terminal_pole_id", "new terminal here", [9, 5]],
  ]) {
    const x = told.numbers(`unserved.${name}.x`)[own];
    if (x === NONE || x === undefined) continue;
    const y = told.numbers(`unserved.${name}.y`)[own];
    lines.push({ points: [place, [x, y]], dashes: dashes, label: label, ring: true, color: "#7a2a00" });
  }
  return lines;
}

function asideDetails(page, row) {
  const { plan } = page;
  const { shown } = plan;
  const own = plan.own(row);
  const box = make("div");
  box.append(facts([
    ["Layer", shown.text("aside.layer", own)],
    ["Why", sentence(shown.text("aside.reason", own) || "unknown")],
    ["Code", shown.text("aside.code", own)],
    ["To do", sentence(shown.text("aside.remedy", own) || "unknown")],
    ["Place", plan.place(row) ? "inferred: the row's figures, read in the CRS in which they fall on this plan"
      : "not known, so it is not on the map"],
  ]));
  return box;
}

function terminalLink(page, id) {
  if (id === null) return "unknown";
  const index = page.plan.terminalOf(id);
  if (index < 0) return id;
  return make("button", {
    type: "button", class: "gp-link", on: { click: () => page.choose({ type: "terminal", index: index }, true) },
  }, id);
}

function rowLink(page, row, more) {
  return make("li", {}, make("button", {
    type: "button", class: "gp-link", on: { click: () => page.choose({ type: "row", index: row }, true) },
  }, page.plan.title(row)), more || "");
}

function terminalDetails(page, index) {
  const { plan } = page;
  const { told, shown } = plan;
  const value = (name) => told.numbers("terminal." + name)[index];
  const id = shown.text("terminal.id", index);
  const fill = shown.numbers("terminal.fill")[index];
  const served = [];
  for (let row = 0; row < plan.dropCount; row += 1) if (plan.number("terminal", row) === index) served.push(row);
  const spare = value("ports_free");
  const lost = lostAt(plan, id, index);
  const box = make("div");
  const worth = told.numbers("terminal.port_value_cost")[index];
  box.append(facts([
    ["Ports", `${value("ports_total")}: ${value("ports_in_use")} in use before, ${value("ports_planned")} planned, `
      + `${value("ports_reserved")} reserved, ${spare} free`],
    ["Reserve used", value("reserve_ports_used") > 0 ? String(value("reserve_ports_used")) : null],
    ["Fill", fill === NONE ? "unknown" : `${(fill / 10).toFixed(0)} %`],
    ["One more port", `${morePort(value("port_value_addresses"))}; ` + (worth === NONE ? "its worth was not worked out" : `the plan would cost ${plan.say(Math.abs(worth), "cost")} ${worth < 0 ? "more" : "less"}`)],
    ["Its worth is", told.text("terminal.port_value_basis", index)],
  ]));
  const ports = served.reduce((sum, row) => sum + told.numbers("drop.ports_needed")[row], 0);
  const elsewhere = value("ports_planned") - ports;
  box.append(section(`Served (${served.length})`,
    make("ul", { class: "gp-list" }, ...served.map((row) => rowLink(page, row))),
    elsewhere > 0 ? make("p", {}, `${elsewhere} more planned port${elsewhere > 1 ? "s" : ""} serve addresses of a neighbouring page.`) : null));
  box.append(section(`Cheaper from here, but not served from here (${lost.length})`,
    lost.length ? make("ul", { class: "gp-list" }, ...lost.map(([row, i]) => {
      const extra = told.numbers("other.extra_cost")[i];
      return rowLink(page, row, extra === NONE ? ": unserved"
        : `: here ${plan.say(Math.abs(extra), "cost")} less than what it got`);
    })) : null,
    make("p", { class: "gp-small" }, "Told from the runner-up routes that were kept"
      + ` (${plan.values.alternatives} per address): an address whose route from here would be cheaper than the one`
      + " it got, or that got none.")));
  return box;
}

function morePort(more) {
  if (more === NONE) return "addresses that it would bring in are not known";
  return more ? `would serve ${more} more address${more === 1 ? "" : "es"}` : "would serve no more addresses";
}

function lostAt(plan, id, index) {
  const { told } = plan;
  const rows = told.numbers("other.row");
  const extra = told.numbers("other.extra_cost");
  const found = new Map();
  for (let i = 0; i < rows.length; i += 1) {
    if (told.text("other.terminal_id", i) !== id || found.has(rows[i]) || rows[i] === NONE) continue;
    const isServed = plan.status(rows[i]) === SERVED;
    if (isServed && (plan.number("terminal", rows[i]) === index || !(extra[i] !== NONE && extra[i] < 0))) continue;
    found.set(rows[i], i);
  }
  return Array.from(found);
}

function poleDetails(page, index) {
  const { plan } = page;
  const id = plan.shown.text("poles.id", index);
  const height = plan.shown.numbers("poles.height")[index];
  const box = make("div");
  box.append(facts([
    ["Height", height === NONE ? "not recorded" : plan.say(height, "length")],
    ["Terminal", plan.terminalOf(id) >= 0 ? terminalLink(page, id) : "none in this plan"],
  ]));
  const rows = [];
  for (let row = 0; row < plan.dropCount; row += 1) {
    if (plan.told.text("drop.access_pole_id", row) === id) rows.push(row);
  }
  box.append(section(`Drops that leave from here or by it (${rows.length})`,
    make("ul", { class: "gp-list" }, ...rows.map((row) => rowLink(page, row)))));
  return box;
}

function markDetails(page, index) {
  const mark = page.plan.marks[index];
  const box = make("div");
  box.append(make("ul", { class: "gp-list" }, rowLink(page, mark.row)));
  box.append(section("Flags here", ...flagList(page, mark.flags, null)));
  return box;
}

function crossingDetails(page, index) {
  const { row, index: i } = page.plan.crossings[index];
  const box = make("div");
  box.append(make("ul", { class: "gp-list" }, rowLink(page, row)));
  box.append(make("p", {}, sentence(crossingWords(page, i))), make("p", {}, sentence(clearanceWords(page, i))));
  return box;
}

// A small picture of a symbol, as it is on the map; words stand beside it.
function symbol(shape, more) {
  const canvas = make("canvas", { width: 40, height: 40, class: "gp-symbol", "aria-hidden": "true" });
  const c = canvas.getContext("2d");
  c.scale(2, 2);
  if (shape === "terminal") drawTerminal(c, 10, 10, 7.5, more);
  else if (shape === "flagged") {
    drawShape(c, "diamond", 10, 10, 9.5);
    drawShape(c, "triangle", 10, 10.5, 5);
  }
  else drawShape(c, shape, 10, 10, shape === "ring" || shape === "pole" ? 4 : shape === "diamond" ? 8 : 6.5);
  return canvas;
}
