/* Fills the map page: reads the data block, draws the layers, writes popups, legend and notes.
   Every text from the data is put in as text, never as markup. */
"use strict";

function geoplanMap(map, groups, layerControl, look) {
  const data = JSON.parse(document.getElementById("geoplan-data").textContent);

  const areas = {
    parcels: { color: "#9a9a9a", weight: 1, fillColor: "#ffffff", fillOpacity: 0.6 },
    water: { color: "#7fa8c9", weight: 1, fillColor: "#c9dceb", fillOpacity: 0.8 },
    roads: { color: "#b9b9b9", weight: 1, fillColor: "#dedede", fillOpacity: 0.9 },
    rail: { color: "#555555", weight: 3, dashArray: "10 6" },
    sidewalks: { color: "#cccccc", weight: 1, fillColor: "#ececec", fillOpacity: 0.9 },
    driveways: { color: "#c4bfb6", weight: 1, fillColor: "#e6e1d8", fillOpacity: 0.9 },
    buildings: { color: "#7d7468", weight: 1, fillColor: "#d5cdc0", fillOpacity: 0.9 },
    pools: { color: "#4f88a8", weight: 1, fillColor: "#a9d3e6", fillOpacity: 0.9 },
    trees: { color: "#7da07d", weight: 1, fillColor: "#a8c8a0", fillOpacity: 0.45 },
    power: { color: "#a00000", weight: 1.5, dashArray: "1 4", lineCap: "round" },
    strands: { color: "#444444", weight: 1.5 },
    existing_drops: { color: "#777777", weight: 1, dashArray: "4 3" },
  };
  const silent = new Set(["parcels", "water", "rail", "sidewalks", "driveways", "buildings",
    "pools", "trees"]);

  const full = 19;     // from this zoom on, marks have their full size
  const circles = [];
  const drops = [];
  const narrow = window.matchMedia("(max-width: 760px)").matches;

  function circle(latlng, radius, style) {
    const made = L.circleMarker(latlng, { radius: radius, ...style });
    circles.push({ made: made, radius: radius, weight: style.weight });
    return made;
  }

  function resize() {
    const zoom = map.getZoom();
    const k = Math.max(0.4, Math.min(1, 1 - (full - zoom) * 0.2));
    map.getContainer().classList.toggle("gp-far", k < 0.7);
    map.getContainer().style.setProperty("--gp-k", String(k));
    for (const one of circles) {
      one.made.setRadius(one.radius * k);
      one.made.setStyle({ weight: Math.max(1, one.weight * k) });
    }
    for (const one of drops) one.made.setStyle({ weight: Math.max(1.5, one.weight * k) });
  }

  function element(name, text, className) {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function popup(properties) {
    const box = element("div", undefined, "gp-popup");
    box.append(element("h2", properties.title));
    if (properties.rows.length) {
      const list = element("dl");
      for (const [label, value] of properties.rows) {
        list.append(element("dt", label), element("dd", value));
      }
      box.append(list);
    }
    return box;
  }

  function lineStyle(kind) {
    const route = look.routes[kind];
    return {
      color: route.color, weight: route.width, dashArray: route.dashes || null,
      lineCap: "butt", opacity: 1,
    };
  }

  function mark(latlng, className, size) {
    const icon = L.divIcon({ className: "gp-mark " + className, iconSize: [size, size] });
    return L.marker(latlng, { icon: icon, keyboard: true });
  }

  function point(layer, feature, latlng) {
    const style = feature.properties.style;
    if (layer === "poles") {
      return circle(latlng, 3.5, {
        color: "#222222", weight: 1.5, fillColor: "#ffffff", fillOpacity: 1,
      });
    }
    if (layer === "terminals") {
      const fill = look.fills[style];
      return circle(latlng, 7, {
        color: "#000000", weight: 2, fillColor: fill ? fill.color : "#ffffff", fillOpacity: 1,
      });
    }
    if (layer === "hazards") return mark(latlng, "gp-" + look.severities[style].shape, 14);
    if (layer === "unserved") return mark(latlng, "gp-cross", 18);
    if (layer === "street_crossings") return mark(latlng, "gp-diamond", 26);
    if (layer === "other_crossings") return mark(latlng, "gp-dot", 8);
    return circle(latlng, 3, areas[layer]);
  }

  // The drop whose popup, or that of one of its marks, is open lies on a wide bright band.
  const halo = L.layerGroup();

  function highlight(number) {
    halo.clearLayers();
    if (number === undefined) return;
    const points = data.layers.drops[number].geometry.coordinates.map((at) => [at[1], at[0]]);
    for (const [color, weight] of [["#000000", 13], ["#f0e442", 10]]) {
      halo.addLayer(L.polyline(points, {
        pane: "gp-halo", interactive: false, className: "gp-halo", color: color, weight: weight,
      }));
    }
  }

  const paneOf = (key) => 400 + 2 * look.order.indexOf(key);

  function draw(key) {
    const part = look.groups[key];
    const pane = "gp-" + key;
    map.createPane(pane).style.zIndex = paneOf(key);
    for (const layer of part.layers) {
      const features = data.layers[layer].filter(
        (feature) => part.style === null || feature.properties.style === part.style);
      L.geoJSON(features, {
        pane: pane,
        interactive: !silent.has(layer),
        style: (feature) => (layer === "drops" ? lineStyle(feature.properties.style)
          : areas[layer]),
        pointToLayer: (feature, latlng) => {
          const made = point(layer, feature, latlng);
          made.options.pane = pane;
          return made;
        },
        onEachFeature: (feature, made) => {
          if (layer === "drops") {
            drops.push({ made: made, weight: look.routes[feature.properties.style].width });
          }
          if (!feature.properties.title || silent.has(layer)) return;
          made.bindPopup(() => popup(feature.properties), {
            minWidth: narrow ? 240 : 380, maxWidth: narrow ? 300 : 460, maxHeight: narrow ? 300 : 440,
          });
          made.bindTooltip(() => element("span", feature.properties.title, "gp-tip"),
            { sticky: true });
          const number = layer === "drops" ? data.layers.drops.indexOf(feature)
            : feature.properties.drop;
          made.on("popupopen", () => {
            made.closeTooltip();
            highlight(number);
          });
          made.on("popupclose", () => highlight(undefined));
          if (made.options.icon) made.options.alt = feature.properties.title;
        },
      }).addTo(groups[key]);
    }
  }

  const plantFrom = 19;  // names of poles, terminals and addresses are written from this zoom on
  const roadsFrom = 17;
  const mostLabels = 400;
  const labels = L.layerGroup();

  function label(latlng, text, kind, angle) {
    const words = element("span", text);
    if (angle !== undefined) words.style.transform = `translate(-50%, -50%) rotate(${angle}deg)`;
    const icon = L.divIcon({ className: "gp-label gp-label-" + kind, html: words, iconSize: [0, 0] });
    labels.addLayer(L.marker(latlng, {
      icon: icon, pane: "gp-labels", interactive: false, keyboard: false,
    }));
  }

  function isShown(key) {
    return Boolean(groups[key]) && map.hasLayer(groups[key]);
  }

  // Written along the longest straight piece of the road that is in view.
  function roadLabel(properties, view) {
    let longest = null;
    for (const line of properties.lines) {
      for (let i = 1; i < line.length; i += 1) {
        const ends = [line[i - 1], line[i]].map(
          (at) => map.latLngToContainerPoint([at[1], at[0]]));
        const piece = L.LineUtil.clipSegment(ends[0], ends[1], view);
        const length = piece ? piece[0].distanceTo(piece[1]) : 0;
        if (piece && (!longest || length > longest.length)) longest = { piece: piece, length: length };
      }
    }
    if (!longest || longest.length < 7 * properties.label.length) return;
    const [a, b] = longest.piece[0].x <= longest.piece[1].x ? longest.piece
      : [longest.piece[1], longest.piece[0]];
    const angle = Math.atan2(b.y - a.y, b.x - a.x) * 180 / Math.PI;
    label(map.containerPointToLatLng(a.add(b).divideBy(2)), properties.label, "road", angle);
  }

  function plantLabels(layer, kind, bounds, skip) {
    for (const feature of data.layers[layer]) {
      const { coordinates } = feature.geometry;
      const at = layer === "drops" ? coordinates[coordinates.length - 1] : coordinates;
      const text = feature.properties.label;
      if (!text || skip.has(text) || !bounds.contains([at[1], at[0]])) continue;
      if (labels.getLayers().length >= mostLabels) return;
      label([at[1], at[0]], text, kind);
    }
  }

  function write() {
    labels.clearLayers();
    const zoom = map.getZoom();
    if (zoom >= roadsFrom && isShown("roads")) {
      const view = L.bounds([0, 0], map.getSize());
      for (const road of data.layers.roads) {
        if (road.properties.label) roadLabel(road.properties, view);
      }
    }
    if (zoom < plantFrom) return;
    const bounds = map.getBounds();
    const none = new Set();
    const terminals = isShown("terminals")
      ? new Set(data.layers.terminals.map((one) => one.properties.label)) : none;
    if (terminals.size) plantLabels("terminals", "terminal", bounds, none);
    if (isShown("poles")) plantLabels("poles", "pole", bounds, terminals);
    if (isShown("unserved")) plantLabels("unserved", "unserved", bounds, none);
    if (Object.keys(look.routes).some((kind) => isShown("drops_" + kind))) {
      plantLabels("drops", "address", bounds, none);
    }
  }

  function areaLine(layer) {
    const style = areas[layer];
    return { color: style.color, width: style.weight, dashes: style.dashArray };
  }

  function swatchLine(route) {
    const space = "http://www.w3.org/2000/svg";
    const picture = document.createElementNS(space, "svg");
    picture.setAttribute("width", "44");
    picture.setAttribute("height", "10");
    const line = document.createElementNS(space, "line");
    const set = { x1: 0, y1: 5, x2: 44, y2: 5, stroke: route.color, "stroke-width": route.width };
    if (route.dashes) set["stroke-dasharray"] = route.dashes;
    for (const name of Object.keys(set)) line.setAttribute(name, set[name]);
    picture.append(line);
    return picture;
  }

  function entry(picture, text) {
    const row = element("li");
    const frame = element("span", undefined, "gp-swatch");
    frame.append(picture);
    row.append(frame, element("span", text));
    return row;
  }

  function legend() {
    const list = element("ul");
    const shown = (key) => Object.prototype.hasOwnProperty.call(groups, key);
    for (const kind of Object.keys(look.routes)) {
      if (shown("drops_" + kind)) {
        list.append(entry(swatchLine(look.routes[kind]), "Drop: "
          + look.routes[kind].label.toLowerCase()));
      }
    }
    for (const severity of Object.keys(look.severities)) {
      if (shown("hazards_" + severity)) {
        list.append(entry(element("span", undefined, "gp-mark gp-"
          + look.severities[severity].shape), "Flag: "
          + look.severities[severity].label.toLowerCase()));
      }
    }
    if (shown("street_crossings")) {
      list.append(entry(element("span", undefined, "gp-mark gp-diamond"), "Street crossing"));
    }
    if (shown("other_crossings")) {
      list.append(entry(element("span", undefined, "gp-mark gp-dot"), "Other crossing"));
    }
    if (shown("unserved")) {
      list.append(entry(element("span", undefined, "gp-mark gp-cross"), "Unserved address"));
    }
    if (shown("terminals")) {
      for (const key of Object.keys(look.fills)) {
        const circle = element("span", undefined, "gp-terminal");
        circle.style.background = look.fills[key].color;
        list.append(entry(circle, "Terminal " + look.fills[key].label));
      }
    }
    for (const [key, text] of [["strands", "Strand"], ["power", "Power"],
      ["existing_drops", "Existing drop"]]) {
      if (shown(key)) list.append(entry(swatchLine(areaLine(key)), text));
    }
    if (shown("poles")) {
      list.append(entry(element("span", undefined, "gp-pole"), "Pole"));
    }
    return list;
  }

  function folded(title, content, open) {
    const box = element("details");
    box.open = open;
    box.append(element("summary", title), content);
    return box;
  }

  function paragraphs(texts) {
    const box = element("div");
    for (const text of texts) box.append(element("p", text));
    return box;
  }

  function side() {
    const box = document.getElementById("gp-side");
    const layers = element("section");
    layers.append(layerControl.getContainer());
    box.append(folded("Layers", layers, !narrow), folded("Legend", legend(), true),
      folded("About this plan", paragraphs(data.notes), true),
      folded("Caution in full", paragraphs(data.caution), false));
  }

  const north = L.control({ position: "topleft" });
  north.onAdd = () => {
    const box = element("div", "N", "gp-north");
    box.title = "North is up";
    return box;
  };

  const firstDrops = look.order.find((key) => key.startsWith("drops_"));
  map.createPane("gp-halo").style.zIndex = firstDrops ? paneOf(firstDrops) - 1 : 400;
  halo.addTo(map);
  look.order.forEach(draw);
  L.control.scale({
    position: "bottomleft", maxWidth: 160,
    imperial: data.units === "us", metric: data.units !== "us",
  }).addTo(map);
  north.addTo(map);
  side();
  map.invalidateSize({ animate: false });
  map.attributionControl.setPrefix(false);
  if (data.bounds) {
    map.fitBounds(data.bounds, { padding: [30, 30], animate: false, maxZoom: 20 });
  }
  map.createPane("gp-labels").style.zIndex = 640;  // above marks, below tooltips and popups
  labels.addTo(map);
  map.on("zoomend", resize);
  map.on("moveend overlayadd overlayremove", write);
  resize();
  write();
  document.body.dataset.ready = "yes";
}
