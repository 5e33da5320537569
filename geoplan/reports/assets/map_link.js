/* The part of the page's address after #: view, filter and what is chosen. Anything in it that is
   not a known word or a sound number does nothing. */
"use strict";

const LONGEST_HASH = 4000;   // two ids of 80 letters, each of them three bytes or more, and a view

function writeLink(page) {
  const { plan, map } = page;
  const parts = [];
  const put = (key, value) => parts.push(`${key}=${encodeURIComponent(value)}`);
  const centre = map.getCenter();
  put("view", `${centre.lat.toFixed(6)},${centre.lng.toFixed(6)},${map.getZoom().toFixed(2)}`);
  const { filter } = page.form;
  for (const group of ["kinds", "status"]) if (filter[group].size) put(group, Array.from(filter[group]).join(","));
  for (const name of ["flag", "street", "terminal", "crew", "day"]) if (filter[name]) put(name, filter[name]);
  if (filter.margin !== null) put("margin", String(filter.margin));
  const { chosen } = page.view;
  if (chosen && chosen.type === "row" && plan.status(chosen.index) !== ASIDE) put("address", plan.id(chosen.index));
  if (chosen && chosen.type === "terminal") put("at", plan.shown.text("terminal.id", chosen.index));
  if (chosen && chosen.type === "pole") put("pole", plan.shown.text("poles.id", chosen.index));
  if (page.off.length) put("off", page.off.join(","));
  return "#" + parts.join("&");
}

function readLink(hash) {
  const found = new Map();
  if (typeof hash !== "string" || hash.length > LONGEST_HASH) return found;
  for (const part of hash.replace(/^#/, "").split("&")) {
    const at = part.indexOf("=");
    if (at < 1) continue;
    let value;
    try {
      value = decodeURIComponent(part.slice(at + 1));
    } catch (error) {
      continue;  // not text: as good as absent
    }
    if (!found.has(part.slice(0, at))) found.set(part.slice(0, at), value);
  }
  return found;
}

function linkedView(found) {
  const match = /^(-?\d{1,2}(?:\.\d{1,8})?),(-?\d{1,3}(?:\.\d{1,8})?),(\d{1,2}(?:\.\d{1,4})?)$/.exec(found.get("view") || "");
  if (!match) return null;
  const [lat, lng, zoom] = match.slice(1).map(Number);
  return Math.abs(lat) <= 85 && Math.abs(lng) <= 180 && zoom <= 22 ? { place: [lat, lng], zoom: zoom } : null;
}

function linkedFilter(found, form) {
  const filter = openFilter();
  const has = (select, value) => Array.from(select.options).some((one) => one.value === value);
  for (const group of ["kinds", "status"]) {
    const keys = new Set(form.boxes(group).map((one) => one.dataset.key));
    filter[group] = new Set((found.get(group) || "").split(",").filter((key) => keys.has(key)));
  }
  for (const name of ["flag", "street", "crew", "day"]) {
    const value = found.get(name) || "";
    if (value && has(form[name], value)) filter[name] = value;
  }
  if (/^-?\d{1,6}(\.\d{1,4})?$/.test(found.get("margin") || "")) filter.margin = Number(found.get("margin"));
  const terminal = found.get("terminal") || "";
  if (terminal && form.plan.terminalOf(terminal) >= 0) filter.terminal = terminal;
  return filter;
}

function linkedChoice(found, plan) {
  if (found.has("address")) {
    const row = plan.rowOf(found.get("address"));
    if (row >= 0) return { type: "row", index: row };
  }
  if (found.has("at")) {
    const index = plan.terminalOf(found.get("at"));
    if (index >= 0) return { type: "terminal", index: index };
  }
  if (found.has("pole")) {
    for (let i = 0; i < plan.shown.count("poles.id"); i += 1) {
      if (plan.shown.text("poles.id", i) === found.get("pole")) return { type: "pole", index: i };
    }
  }
  return null;
}
