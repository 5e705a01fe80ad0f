"use strict";
const road = {
  segments: {},
  known(id, layer) { road.segments[id] = layer; },
  // Keep a line a fixed number of pixels to the right of its direction of travel at every zoom.
  sideways(map, line, pixels) {
    const places = line.getLatLngs();
    const draw = () => {
      const zoom = map.getZoom();
      if (!Number.isFinite(zoom)) return;
      const p = L.LineUtil.simplify(places.map(q => map.project(q, zoom)), 1);
      const normal = p.slice(1).map((b, i) => {
        const dx = b.x - p[i].x, dy = b.y - p[i].y, d = Math.hypot(dx, dy) || 1;
        return [-dy / d, dx / d];
      });
      if (!normal.length) return;
      line.setLatLngs(p.map((q, i) => {
        const a = normal[Math.max(i - 1, 0)], b = normal[Math.min(i, normal.length - 1)];
        const x = a[0] + b[0], y = a[1] + b[1];
        const k = 2 * pixels / Math.max(x * x + y * y, 1);
        return map.unproject([q.x + k * x, q.y + k * y], zoom);
      }));
    };
    map.on("zoomend", draw);
    map.whenReady(draw);
  },
  words(layer, hint, popup) {
    layer.bindTooltip(hint, { sticky: true });
    if (popup) layer.bindPopup(popup, { maxWidth: 280 });
  },
  ready(map, control, bounds) {
    map.attributionControl.setPrefix('<a href="https://leafletjs.com">Leaflet</a>');
    document.querySelector(".road-shown").append(control.getContainer());
    const show = path => {
      const layer = road.segments[path.dataset.segment];
      if (!layer) return;
      layer.openPopup(layer.getCenter());
      map.getContainer().scrollIntoView({ block: "nearest" });
    };
    for (const path of document.querySelectorAll(".road-strip path")) {
      path.addEventListener("click", () => show(path));
      path.addEventListener("keydown", e => { if (e.key === "Enter") show(path); });
    }
    // Of labels that would cover one another only the first stays: ends before distances.
    const thin = () => {
      const kept = [];
      for (const label of map.getContainer().querySelectorAll(".road-end, .road-mark")) {
        label.style.visibility = "";
        const a = label.getBoundingClientRect();
        const hidden = kept.some(b => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom);
        if (hidden) label.style.visibility = "hidden"; else kept.push(a);
      }
    };
    map.on("zoomend moveend overlayadd", () => requestAnimationFrame(thin));
    const fit = () => {
      map.invalidateSize();
      if (map.getSize().x) map.fitBounds(bounds, { padding: [62, 44], animate: false });
    };
    fit();
    thin();
    new ResizeObserver(fit).observe(map.getContainer());
    addEventListener("beforeprint", fit);
    addEventListener("afterprint", fit);
  },
};
