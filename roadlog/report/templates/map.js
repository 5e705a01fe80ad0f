"use strict";
// The map of one page: `road.start(data, map, groups)` with the map and the empty layers that folium
// made, once its elements stand. Texts go in as text, never as markup. Positions are steps of whole
// numbers; `sideways` keeps a segment a fixed number of pixels to the right of its direction of
// travel at every zoom.
const road = {
  SIDEWAYS_PX: 5,
  NEAR_PX: 28,
  still: matchMedia("(prefers-reduced-motion: reduce)").matches,
  touch: matchMedia("(pointer: coarse)").matches,

  places(steps, units) {
    const found = [];
    let lat = 0, lon = 0;
    for (let i = 0; i < steps.length; i += 2) {
      lat += steps[i];
      lon += steps[i + 1];
      found.push([lat / units, lon / units]);
    }
    return found;
  },

  element(tag, name, text, inside = []) {
    const made = document.createElement(tag);
    if (name) made.className = name;
    if (text) made.textContent = text;
    made.append(...inside);
    return made;
  },

  drawing(tag, looks, inside = []) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(looks)) made.setAttribute(name, value);
    made.append(...inside);
    return made;
  },

  // The sign of an arm: a full circle, or an open diamond.
  sign(arm, x = 7, y = 7, r = 4.5) {
    if (arm === 0) return road.drawing("circle", { cx: x, cy: y, r, class: "of-baseline full" });
    const d = `M${x} ${y - r - 1}l${r + 1} ${r + 1}-${r + 1} ${r + 1}-${r + 1}-${r + 1}Z`;
    return road.drawing("path", { d, class: "of-fitted" });
  },

  number: (value, digits) => value.toFixed(digits).replace("-", "−"),

  sideways(points) {
    const normal = points.slice(1).map((b, i) => {
      const dx = b.x - points[i].x, dy = b.y - points[i].y, d = Math.hypot(dx, dy) || 1;
      return [-dy / d, dx / d];
    });
    return points.map((q, i) => {
      const a = normal[Math.max(i - 1, 0)], b = normal[Math.min(i, normal.length - 1)];
      const x = a[0] + b[0], y = a[1] + b[1];
      const k = 2 * road.SIDEWAYS_PX / Math.max(x * x + y * y, 1);
      return L.point(q.x + k * x, q.y + k * y);
    });
  },

  // What a segment's pop-up holds: the change, each arm's use, and each pass as a dot.
  told(segment, data) {
    const facts = segment.facts.flatMap(([name, value]) =>
      [road.element("dt", "", name), road.element("dd", "", value)]);
    const uses = segment.use.map((use, arm) => road.element("p", "road-use", "", [
      road.drawing("svg", { class: "road-mark-of", viewBox: "0 0 14 14", "aria-hidden": "true" }, [road.sign(arm)]),
      road.element("span", "", "", [road.element("b", "", data.arms[arm]), use])]));
    return road.element("div", "road-facts", "", [
      road.element("h4", "", segment.title), road.element("p", "road-change", segment.change),
      ...uses, ...road.dots(segment, data), road.element("dl", "", "", facts)]);
  },

  // Fuel use [L/100 km] in the reader's unit; economy is its inverse.
  use: (litres, data) => data.shown.inverse ? data.shown.inverse / Math.max(litres, 0.01) : litres,

  dots(segment, data) {
    const use = [0, 1].map(arm =>
      segment.passes.filter(p => data.runs[p[0]].arm === arm).map(p => road.use(p[2] / 100, data)));
    const all = use.flat();
    if (!all.length) return [];
    const low = Math.min(...all), high = Math.max(...all), span = Math.max(high - low, 0.1);
    const x = v => 10 + 240 * (v - low + (span - high + low) / 2) / span;
    const marks = use.flatMap((values, arm) => values.map((v, i) =>
      road.sign(arm, +x(v).toFixed(1), (arm ? 46 : 17) + (i % 3 - 1) * 5, 4)));
    const words = use.map((v, arm) => v.length
      ? `${data.arms[arm]} ${road.number(Math.min(...v), 1)} to ${road.number(Math.max(...v), 1)}` : `${data.arms[arm]} none`);
    const strip = road.drawing("svg", {
      viewBox: "0 0 260 64", class: "road-dots", role: "img",
      "aria-label": `Fuel use of each pass in ${data.shown.use}: ${words.join("; ")}`,
    }, [road.drawing("path", { d: "M10 31.5H250M10 62H250", class: "road-rule" }), ...marks]);
    const ends = [low, `${data.shown.use}, each pass`, high].map(v =>
      road.element("span", "", typeof v === "number" ? road.number(v, 1) : v));
    return [strip, road.element("div", "road-dot-ends", "", high > low ? ends : ends.slice(0, 2))];
  },

  start(data, map, groups) {
    const root = document.querySelector("[data-road]"), live = root.querySelector(".road-live");
    live.hidden = false;
    for (const part of root.querySelectorAll(".road-tools, .road-shown, .road-hands")) part.hidden = false;
    root.classList.add("road-on");
    map.getContainer().setAttribute("role", "region");
    map.getContainer().setAttribute("aria-label", "Map of the road: arrow keys move it, plus and minus change its scale");
    if (map.attributionControl) map.attributionControl.setPrefix("");
    road.scale(map, root, data);
    const colour = name => getComputedStyle(root).getPropertyValue(name).trim();
    const segments = data.segments.map(s => ({ ...s, places: road.places(s.line, data.units.segments) }));
    const drawn = segments.filter(s => s.places.length > 1);

    for (const s of drawn) {
      s.casing = L.polyline(s.places, { weight: s.px + 2, lineCap: "butt", interactive: false });
      s.casing.addTo(groups.segments);
    }
    for (const s of drawn) {
      s.line = L.polyline(s.places, { color: s.colour, weight: s.px, opacity: 1, lineCap: "butt" });
      s.line.on("click", e => open(s, e.latlng)).addTo(groups.segments);
    }
    for (const leg of data.legs) road.labels(leg, groups.labels, colour);
    const runs = data.runs.map(r => ({ ...r, drawn: r.lines.map(l => {
      const line = L.polyline(road.places(l, data.units.runs), { weight: 1.6, opacity: 0.85, dashArray: r.arm ? "7 5" : null });
      line.bindTooltip(road.element("span", "", r.file), { sticky: true });
      return r.arm < 0 ? line : line.addTo(groups[r.arm ? "fitted" : "baseline"]);
    }) }));

    // Shapes at this zoom, in pixels of the whole world, with the distance along each.
    const shape = () => {
      const zoom = map.getZoom();
      if (!Number.isFinite(zoom)) return;
      for (const s of drawn) {
        s.px_at = road.sideways(L.LineUtil.simplify(s.places.map(q => map.project(q, zoom)), 0.5));
        s.run_px = [0];
        for (let i = 1; i < s.px_at.length; i++) s.run_px.push(s.run_px[i - 1] + s.px_at[i].distanceTo(s.px_at[i - 1]));
        const moved = s.px_at.map(p => map.unproject(p, zoom));
        s.casing.setLatLngs(moved);
        s.line.setLatLngs(moved);
      }
    };
    const paint = () => {
      for (const s of drawn) s.casing.setStyle({ color: colour("--map-casing"), opacity: 1 });
      for (const r of runs) for (const l of r.drawn) l.setStyle({ color: colour(r.arm ? "--fitted" : "--baseline") });
    };
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
    paint();
    for (const box of root.querySelectorAll("[data-layer]")) {
      const set = () => { groups[box.dataset.layer][box.checked ? "addTo" : "removeFrom"](map); thin(); };
      box.addEventListener("change", set);
      if (box.checked) groups[box.dataset.layer].addTo(map);
    }

    // A place on the map by leg and distance, so many pixels to the right of the line.
    const spot = (leg, km, aside = 0) => {
      const inside = data.legs[leg].segments.map(i => segments[i]);
      const s = inside.find((q, i) => km <= q.at + q.km || i === inside.length - 1);
      if (!s.px_at) return null;
      const along = Math.min(Math.max((km - s.at) / s.km, 0), 1) * s.run_px.at(-1);
      const i = Math.max(1, s.run_px.findIndex(d => d >= along));
      const a = s.px_at[i - 1], b = s.px_at[i], d = a.distanceTo(b) || 1, f = (along - s.run_px[i - 1]) / d;
      const x = a.x + f * (b.x - a.x) - aside * (b.y - a.y) / d, y = a.y + f * (b.y - a.y) + aside * (b.x - a.x) / d;
      return { segment: s, at: map.unproject([x, y], map.getZoom()) };
    };
    const nearest = place => {
      const p = map.project(place, map.getZoom());
      let found = null, least = road.NEAR_PX;
      for (const s of drawn) for (let i = 1; i < s.px_at.length; i++) {
        const a = s.px_at[i - 1], b = s.px_at[i], c = L.LineUtil.closestPointOnSegment(p, a, b), d = p.distanceTo(c);
        if (d < least) {
          least = d;
          found = { leg: s.leg, km: s.at + s.km * (s.run_px[i - 1] + a.distanceTo(c)) / (s.run_px.at(-1) || 1) };
        }
      }
      return found;
    };
    const open = (s, at, back = null) => {
      const wide = map.getSize().x;
      const popup = L.popup({ maxWidth: Math.min(300, wide - 44), maxHeight: Math.max(140, map.getSize().y - 60), minWidth: Math.min(230, wide - 60), autoPanPadding: [10, 10], className: "road-popup" });
      popup.setLatLng(at).setContent(road.told(s, data)).openOn(map);
      popup.getElement().querySelector(".leaflet-popup-close-button").setAttribute("aria-label", "Close these numbers");
      if (!back) return;
      popup.getElement().querySelector(".leaflet-popup-close-button").focus();
      popup.on("remove", () => back.focus());
    };
    const strips = road.link({ data, root, map, spot, nearest, open });

    // Of labels that would cover one another only the first stays: ends before distances.
    const thin = () => requestAnimationFrame(() => {
      const kept = [], view = live.getBoundingClientRect();
      for (const label of live.querySelectorAll(".road-end > span, .road-mark > span")) {
        label.style.visibility = label.style.left = "";
        let a = label.getBoundingClientRect();
        const beyond = Math.min(a.left - view.left - 3, 0) || Math.max(a.right - view.right + 3, 0);
        if (beyond && Math.abs(beyond) < a.width) {
          label.style.left = `${-beyond}px`;
          a = label.getBoundingClientRect();
        }
        const hidden = kept.some(b => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom);
        if (hidden) label.style.visibility = "hidden"; else kept.push(a);
      }
    });
    let fitting = false, moved = false, zooming = false;
    map.on("zoomstart", () => { zooming = true; });
    const fit = () => {
      if (zooming) return map.once("zoomend", () => setTimeout(fit));
      fitting = true;
      map.invalidateSize({ pan: false, animate: false });
      const size = map.getSize();
      if (size.x > 1 && size.y > 1) {
        const room = size.x < 560 ? [34, 34] : [92, 44];
        map.fitBounds(data.box, { padding: room.map(r => Math.min(r, size.x / 5)), animate: false });
        shape();
        strips.again();
      }
      fitting = moved = false;
      thin();
    };
    map.on("zoomend", () => { zooming = false; shape(); strips.again(); });
    map.on("moveend", () => { moved = moved || !fitting; thin(); });
    new ResizeObserver(() => moved ? map.invalidateSize({ pan: false }) : fit()).observe(live);
    fit();
    const does = { closer: () => map.zoomIn(1), farther: () => map.zoomOut(1), whole: () => { map.closePopup(); fit(); } };
    for (const button of root.querySelectorAll(".road-tools [data-does]")) button.addEventListener("click", does[button.dataset.does]);
    road.map = map;
    road.replay({ data, root, map, spot, strips, still: road.still });
  },

  labels(leg, group) {
    for (const [lat, lon, text, end, right, down] of leg.labels) {
      const size = end ? [84, 18] : [48, 18];
      if (end) L.marker([lat, lon], { icon: L.divIcon({ className: "road-dot", iconSize: [13, 13] }), interactive: false, keyboard: false }).addTo(group);
      const icon = L.divIcon({
        html: road.element("span", "", text), className: end ? "road-end" : "road-mark", iconSize: size,
        iconAnchor: [size[0] / 2 - right, size[1] / 2 - down],
      });
      L.marker([lat, lon], { icon, interactive: false, keyboard: false }).addTo(group);
    }
  },

  // A rule of a round length, in the reader's long or short unit of road.
  scale(map, root, data) {
    const rule = road.element("div", "road-rule-of");
    root.querySelector(".road-frame").append(rule);
    const set = () => {
      const y = map.getSize().y / 2;
      const metres = map.distance(map.containerPointToLatLng([0, y]), map.containerPointToLatLng([100, y]));
      if (!(metres > 0)) return;
      const { km: [long, name], m: [short, part] } = data.shown;
      const [room, unit] = metres / 1000 * long >= 1 ? [metres / 1000 * long, name] : [metres * short, part];
      const ten = 10 ** Math.floor(Math.log10(room));
      const length = +(ten * [5, 2, 1].find(k => k * ten <= room * (1 + 1e-9))).toPrecision(1);
      rule.style.width = `${100 * length / room}px`;
      rule.textContent = `${length} ${unit}`;
    };
    map.on("zoomend moveend", set);
  },

  // Strip and map tell the same place: pointer, finger or keys on either move the mark on both.
  link({ data, root, map, spot, nearest, open }) {
    const mark = L.marker([0, 0], { icon: L.divIcon({ className: "road-here", iconSize: [17, 17] }), interactive: false, keyboard: false });
    const strips = [...root.querySelectorAll(".road-strip")].map(strip => {
      const leg = Number(strip.dataset.leg), handle = road.element("div", "road-handle");
      const line = road.element("i", "road-cursor"), words = strip.nextElementSibling;
      for (const [name, value] of Object.entries({
        role: "slider", tabindex: "0", "aria-label": `Along leg ${leg + 1}`, "aria-valuemin": "0",
        "aria-valuemax": String(data.legs[leg].km), "aria-valuenow": "0",
        "aria-valuetext": "arrow keys move along the road, Enter opens the segment's numbers",
      })) handle.setAttribute(name, value);
      line.hidden = true;
      strip.append(line, handle);
      return { leg, strip, handle, line, words, km: 0 };
    });
    let shown = null;
    const show = (leg, km) => {
      for (const s of strips) if (s.leg !== leg) clear(s);
      const s = strips[leg], there = spot(leg, km);
      shown = { leg, km };
      s.km = km;
      s.line.hidden = false;
      s.line.style.left = `${100 * km / data.legs[leg].km}%`;
      if (!there) return;
      mark.setLatLng(there.at).addTo(map);
      s.words.textContent = `${road.number(km * data.shown.km[0], 1)} ${data.shown.km[1]}, ${there.segment.hint}`;
      s.handle.setAttribute("aria-valuenow", km.toFixed(2));
      s.handle.setAttribute("aria-valuetext", s.words.textContent);
    };
    const clear = s => { s.line.hidden = true; s.words.textContent = ""; };
    const hide = () => { shown = null; mark.remove(); strips.forEach(clear); };
    const openAt = (s, back) => {
      const there = spot(s.leg, s.km);
      if (!there) return;
      root.querySelector(".road-frame").scrollIntoView({ block: "nearest" });
      open(there.segment, there.at, back);
    };
    for (const s of strips) {
      const whole = data.legs[s.leg].km, ends = data.legs[s.leg].segments.map(i => data.segments[i].at);
      const from = e => {
        const box = s.handle.getBoundingClientRect();
        show(s.leg, Math.min(Math.max((e.clientX - box.left) / box.width, 0), 1) * whole);
      };
      s.handle.addEventListener("pointermove", from);
      s.handle.addEventListener("pointerdown", from);
      s.handle.addEventListener("pointerleave", e => { if (e.pointerType === "mouse" && document.activeElement !== s.handle) hide(); });
      s.handle.addEventListener("click", e => { from(e); openAt(s, null); });
      s.handle.addEventListener("focus", () => { if (s.handle.matches(":focus-visible")) show(s.leg, s.km); });
      s.handle.addEventListener("blur", () => { if (!root.querySelector(".road-popup")) hide(); });
      s.handle.addEventListener("keydown", e => {
        const step = whole / 100, next = ends.find(k => k > s.km + 1e-6), before = ends.findLast(k => k < s.km - 1e-6);
        const to = {
          ArrowRight: s.km + step, ArrowUp: s.km + step, ArrowLeft: s.km - step, ArrowDown: s.km - step,
          PageUp: next ?? whole, PageDown: before ?? 0, Home: 0, End: whole,
        }[e.key];
        if (e.key === "Enter" || e.key === " ") openAt(s, s.handle);
        else if (to === undefined) return;
        else show(s.leg, Math.min(Math.max(to, 0), whole));
        e.preventDefault();
      });
    }
    map.on("mousemove", e => {
      const found = nearest(e.latlng);
      if (found) show(found.leg, found.km); else if (shown) hide();
    });
    map.on("mouseout", hide);
    return {
      again() { if (shown) show(shown.leg, shown.km); },
      strip: leg => strips[leg].strip,
    };
  },
};
// What depends on the reader, for the map that folium makes below.
L.Map.mergeOptions({
  renderer: L.canvas({ padding: 0.3, tolerance: road.touch ? 12 : 4 }),
  dragging: !road.touch, zoomAnimation: !road.still, inertia: !road.still,
});
