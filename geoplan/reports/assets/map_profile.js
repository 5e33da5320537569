/* Draws the profile of a drop's air span from its figures. */
"use strict";

// Things passed over whose required clearance is a height above ground; for the others
// (power, roofs, drops, trees) only their place is shown.
const ABOVE_GROUND = new Set(["road", "rail", "water", "driveway", "sidewalk"]);

function profilePicture(plan, row) {
  const { told } = plan;
  const [unit, decimals] = plan.values.units.length;
  const sagToLength = plan.values.system === "us" ? 1 / 12 : 1;
  const read = (name) => {
    const value = told.numbers("drop." + name)[row];
    return value === NONE ? null : value / 10 ** decimals;
  };
  const sag = (name) => {
    const value = told.numbers("drop." + name)[row];
    return value === NONE ? null : value / 10 ** plan.values.units.sag[1] * sagToLength;
  };
  const span = plan.number("air_span", row) / 10 ** decimals;
  const hook = read("hook_height");
  const house = read("attachment_height");
  const [left, worst] = [sag("stringing_sag"), sag("sag_worst")];
  if (hook === null || house === null || !(span > 0) || left === null) return null;
  const [startZ, endZ] = [read("start_z"), read("end_z")];
  const isSloped = startZ !== null && endZ !== null;
  const rise = isSloped ? (endZ - house) - (startZ - hook) : 0;   // ground at the house above that at the pole

  const size = { width: 380, height: 216, left: 44, right: 44, top: 26, bottom: 40 };
  const low = Math.min(0, rise);
  const high = Math.max(hook, rise + house) * 1.08;
  const x = (m) => size.left + m / span * (size.width - size.left - size.right);
  const y = (m) => size.height - size.bottom
    - (m - low) / (high - low) * (size.height - size.top - size.bottom);
  const ground = (m) => rise * m / span;
  const wire = (m, s) => {
    const t = m / span;
    return hook + (rise + house - hook) * t - 4 * s * t * (1 - t);
  };
  const path = (s) => Array.from({ length: 41 }, (_, i) => {
    const m = span * i / 40;
    return `${i ? "L" : "M"}${x(m).toFixed(1)} ${y(wire(m, s)).toFixed(1)}`;
  }).join("");

  const svg = makeSvg("svg", {
    viewBox: `0 0 ${size.width} ${size.height}`, class: "gp-profile", role: "img",
    "aria-label": `Profile of the air span of ${plan.id(row)}: its figures stand in the list.`,
  });
  const line = (x1, y1, x2, y2, more) => svg.append(makeSvg("line", {
    x1: x1.toFixed(1), y1: y1.toFixed(1), x2: x2.toFixed(1), y2: y2.toFixed(1), stroke: "#000000", ...more,
  }));
  const write = (px, py, text, anchor, more) => {
    const made = makeSvg("text", { x: px.toFixed(1), y: py.toFixed(1), "text-anchor": anchor || "middle", ...more });
    made.append(text);
    svg.append(made);
  };
  svg.append(makeSvg("path", {
    d: `M${x(0) - 30} ${y(0)}L${x(0)} ${y(0)}L${x(span)} ${y(rise)}L${x(span) + 30} ${y(rise)}`,
    fill: "none", stroke: "#555555", "stroke-width": 1.5,
  }));
  line(x(0), y(0), x(0), y(hook * 1.05), { "stroke-width": 4, stroke: "#333333" });
  const roof = Math.max(y(rise + house) - 12, 6);
  svg.append(makeSvg("rect", {
    x: x(span), y: roof, width: 30, height: y(rise) - roof, fill: "#d9d4cb", stroke: "#333333",
  }));

  const letters = [];
  const shown = plan.shown;
  for (let i = plan.crossingStart[row]; i < plan.crossingStart[row + 1]; i += 1) {
    if (shown.numbers("crossing.near")[i] === 1) continue;
    const kind = plan.look.crossings[shown.numbers("crossing.kind")[i]];
    if (kind === "lot" || kind === "planned_drop") continue;
    const figure = (name) => {
      const value = name === "start" || name === "end" ? plan.crossingEnd(i, name === "start")
        : (name === "at" ? shown : told).numbers("crossing." + name)[i];
      return value === NONE ? null : value / 10 ** decimals;
    };
    const at = figure("at");
    if (at === null) continue;
    const begin = Math.max(0, figure("start") === null ? at : figure("start"));
    const end = Math.min(span, figure("end") === null ? at : figure("end"));
    const letter = letters.length < 26 ? String.fromCharCode(65 + letters.length) : "+";
    const middle = (begin + end) / 2;
    const required = figure("required");
    const isBar = ABOVE_GROUND.has(kind) && required !== null
      && told.text("crossing.clearance_basis", i) === "computed";
    line(x(begin), y(ground(begin)), Math.max(x(end), x(begin) + 2), y(ground(end)),
      { "stroke-width": 5, stroke: "#8a8a8a" });
    if (isBar) {
      const [a, b] = [y(ground(begin) + required), y(ground(end) + required)];
      line(x(begin), a, Math.max(x(end), x(begin) + 5), b, { "stroke-width": 2.2, stroke: "#b03000" });
      line(x(middle), y(ground(middle)), x(middle), (a + b) / 2,
        { "stroke-width": 1, stroke: "#b03000", "stroke-dasharray": "2 3" });
    }
    write(x(middle), size.height - size.bottom + 16, letter, "middle", { "font-weight": 700 });
    const name = told.text("crossing.feature_name", i) || told.text("crossing.feature_id", i) || "";
    letters.push(`${letter}: ${words(kind)} ${name}` + (isBar
      ? `, ${plan.say(told.numbers("crossing.required")[i], "length")} required` : ", no bar drawn"));
  }
  if (worst !== null) {
    svg.append(makeSvg("path", {
      d: path(worst), fill: "none", stroke: "#000000", "stroke-width": 1.3, "stroke-dasharray": "5 3",
    }));
  }
  svg.append(makeSvg("path", { d: path(left), fill: "none", stroke: "#000000", "stroke-width": 2 }));
  const tall = (m) => `${m.toFixed(decimals)} ${unit}`;
  write(x(0) + 6, y(hook) - 6, tall(hook), "start");
  write(x(span) - 4, y(rise + house) - 8, tall(house), "end");
  write(size.width / 2, size.height - 5, `air span ${tall(span)}`);

  const caption = make("figcaption", {},
    "Full line: wire at the sag to leave. Dashed: at its worst sag. Red bar: height required there. "
    + "Heights and lengths have scales of their own; the wire is drawn as a parabola"
    + (isSloped ? ", the ground straight between both ends. " : " over level ground. ")
    + "Not to scale of the site; not for construction until checked there.");
  const figure = make("figure", { class: "gp-figure" }, svg);
  if (letters.length) {
    figure.append(make("ul", { class: "gp-letters" }, ...letters.map((text) => make("li", {}, text))));
  }
  figure.append(caption);
  return figure;
}
