// One run beside another over the segments of a leg that both drove: at the same place, or the
// same time after the leg's start. Within a segment a pass's time and fuel are spread evenly.
road.replay = ({ data, root, map, spot, strips, still }) => {
  const box = root.querySelector(".road-replay"), one = s => box.querySelector(s);
  const { km: [km, long], l: [l, volume], speed } = data.shown;
  const LASTS_S = 24, ARMS = ["baseline", "fitted"];
  // driven[leg][run]: segment -> [seconds, litres], its first used pass there.
  const driven = data.legs.map(leg => {
    const by = new Map();
    for (const i of leg.segments) for (const [run, tenths, use] of data.segments[i].passes) {
      if (!by.has(run)) by.set(run, new Map());
      if (!by.get(run).has(i)) by.get(run).set(i, [tenths / 10, use / 1e4 * data.segments[i].km]);
    }
    return by;
  });
  const choices = (leg, arm) => [...driven[leg].keys()].filter(r => data.runs[r].arm === arm).sort((a, b) => a - b);
  const legs = data.legs.map((_, i) => i).filter(i => choices(i, 0).length && choices(i, 1).length);
  if (!legs.length) return;
  box.hidden = false;

  const picks = { leg: one("[data-pick=leg]"), arms: ARMS.map(a => one(`[data-pick=${a}]`)) };
  const slider = one("input[type=range]"), button = one("[data-does=play]"), rows = one("tbody");
  const option = (value, text) => { const made = road.element("option", "", text); made.value = value; return made; };
  picks.leg.append(...legs.map(i => option(i, data.legs[i].name)));
  const icon = arm => L.divIcon({ className: "road-runner", iconSize: [22, 22], html: road.drawing("svg", { viewBox: "0 0 22 22" }, [road.sign(arm, 11, 11, 7)]) });
  const marks = ARMS.map((_, arm) => L.marker([0, 0], { icon: icon(arm), interactive: false, keyboard: false, zIndexOffset: 1000 }));
  const cursors = ARMS.map((_, arm) => road.element("i", `road-cursor of-arm-${arm}`));
  let way = [], ends = [], playing = 0, touched = false;

  // The segments that both drove, each with its place and each arm's time and fuel before it.
  const choose = () => {
    const leg = Number(picks.leg.value), runs = picks.arms.map(p => driven[leg].get(Number(p.value)));
    const both = data.legs[leg].segments.filter(i => runs.every(r => r.has(i)));
    const sum = { km: 0, s: [0, 0], l: [0, 0] };
    way = both.map(i => {
      const s = data.segments[i], step = { at: s.at, km: s.km, from: sum.km, s: [], l: [], took: [], used: [] };
      runs.forEach((r, arm) => {
        [step.took[arm], step.used[arm]] = r.get(i);
        step.s[arm] = sum.s[arm];
        step.l[arm] = sum.l[arm];
        sum.s[arm] += step.took[arm];
        sum.l[arm] += step.used[arm];
      });
      sum.km += s.km;
      return step;
    });
    ends = [sum.km, sum.s];
    const skipped = data.legs[leg].segments.length - both.length;
    one(".road-rests").textContent =
      `${both.length ? "" : "These two have no segment of this leg in common. "}Within a segment the time and fuel of a pass are spread evenly over its length. ` +
      (skipped && both.length ? `${skipped} of ${data.legs[leg].segments.length} segments are skipped: one of the two has no used pass there. ` : "") +
      "Two runs differ by chance; the answer rests on all of them.";
    slider.value = 0;
    draw();
  };
  const fill = () => {
    const leg = Number(picks.leg.value);
    picks.arms.forEach((pick, arm) => {
      const runs = choices(leg, arm), most = Math.max(...runs.map(r => driven[leg].get(r).size));
      pick.replaceChildren(...runs.map(r => option(r, data.runs[r].name)));
      pick.value = runs.find(r => driven[leg].get(r).size === most);
    });
    choose();
  };

  const byTime = () => one("input[value=time]").checked;
  // Where one arm's run is: by distance of the common segments, or by its own seconds.
  const state = (arm, share) => {
    const t = share * Math.max(...ends[1]), d = share * ends[0];
    const i = way.findLastIndex(w => byTime() ? w.s[arm] <= t : w.from <= d), w = way[Math.max(i, 0)];
    const f = Math.min(Math.max(byTime() ? (t - w.s[arm]) / w.took[arm] : (d - w.from) / w.km, 0), 1);
    return { km: w.at + f * w.km, gone: w.from + f * w.km, s: w.s[arm] + f * w.took[arm], l: w.l[arm] + f * w.used[arm], kmh: 3600 * w.km / w.took[arm] };
  };
  const clock = s => `${Math.floor(Math.round(s) / 60)}:${String(Math.round(s) % 60).padStart(2, "0")}`;
  const signed = (v, digits, unit) => `${Number(v.toFixed(digits)) > 0 ? "+" : ""}${road.number(Number(v.toFixed(digits)) || 0, digits)} ${unit}`;
  const draw = () => {
    rows.replaceChildren();
    if (!way.length) { marks.forEach(m => m.remove()); cursors.forEach(c => c.remove()); return; }
    const leg = Number(picks.leg.value), at = ARMS.map((_, arm) => state(arm, slider.value / slider.max));
    const lines = [
      byTime() ? ["distance", a => `${road.number(a.gone * km, 2)} ${long}`, signed((at[1].gone - at[0].gone) * km, 2, long)]
        : ["time", a => clock(a.s), signed(at[1].s - at[0].s, 0, "s")],
      ["fuel so far", a => `${road.number(a.l * l, l < 1 ? 4 : 3)} ${volume}`,
        l < 1 ? signed((at[1].l - at[0].l) * l, 4, volume) : signed(1000 * (at[1].l - at[0].l), 0, "mL")],
      ["mean speed on this segment", a => `${road.number(a.kmh * km, 0)} ${speed}`, signed((at[1].kmh - at[0].kmh) * km, 0, speed)],
    ];
    for (const [name, told, apart] of lines) {
      const head = road.element("th", "", name);
      head.scope = "row";
      rows.append(road.element("tr", "", "", [head, ...at.map(a => road.element("td", "n", told(a))), road.element("td", "n", apart)]));
    }
    const where = byTime() ? `after ${clock(slider.value / slider.max * Math.max(...ends[1]))}` : `at ${road.number(at[0].km * km, 1)} ${long}`;
    one(".road-where").textContent = where;
    slider.setAttribute("aria-valuetext", `${where}: ${lines[0][0]} ${data.arms[1]} ${lines[0][2]}, fuel ${lines[1][2]}`);
    if (!touched) return;
    at.forEach((a, arm) => {
      const there = spot(leg, a.km, arm ? 11 : -11);
      if (there) marks[arm].setLatLng(there.at).addTo(map);
      cursors[arm].style.left = `${100 * a.km / data.legs[leg].km}%`;
      strips.strip(leg).append(cursors[arm]);
    });
  };
  const stop = () => { cancelAnimationFrame(playing); playing = 0; button.textContent = still ? "Next segment" : "Play"; };
  const play = () => {
    touched = true;
    if (Number(slider.value) >= Number(slider.max)) slider.value = 0;
    if (still) {
      const last = byTime() ? Math.max(...ends[1]) : ends[0];
      const shares = way.map(w => (byTime() ? Math.max(w.s[0] + w.took[0], w.s[1] + w.took[1]) : w.from + w.km) / last);
      slider.value = Math.round(slider.max * (shares.find(p => p > slider.value / slider.max + 0.002) ?? 1));
      draw();
      return;
    }
    button.textContent = "Pause";
    let before = performance.now(), share = slider.value / slider.max;
    const frame = now => {
      share = Math.min(share + (now - before) / 1000 / LASTS_S, 1);
      before = now;
      slider.value = share * slider.max;
      draw();
      if (share < 1) playing = requestAnimationFrame(frame); else stop();
    };
    playing = requestAnimationFrame(frame);
  };
  button.addEventListener("click", () => playing ? stop() : play());
  slider.addEventListener("input", () => { touched = true; stop(); draw(); });
  picks.leg.addEventListener("change", () => { stop(); fill(); });
  for (const p of picks.arms) p.addEventListener("change", () => { stop(); choose(); });
  for (const r of box.querySelectorAll("input[type=radio]")) r.addEventListener("change", () => { stop(); draw(); });
  map.on("zoomend", draw);
  stop();
  fill();
};
