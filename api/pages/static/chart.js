// Draws the chart with uPlot over the server's own drawing, which stays when anything here fails.
"use strict";
(() => {
  const holder = document.getElementById("chart");
  if (!holder || !window.uPlot) return;
  const fahrenheit = document.body.dataset.unit === "F";
  const sign = fahrenheit ? "°F" : "°C";
  const shown = (celsius) => celsius === null ? null : fahrenheit ? celsius * 1.8 + 32 : celsius;
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const LINES = {
    soil: { width: 3.4 }, air: { width: 1.8 }, outside: { width: 2, dash: [1, 5], cap: "round" }, asked: { width: 2, dash: [6, 5] },
  };
  const ORDER = ["soil", "air", "outside"];
  const { enclosure, start, end, zone } = holder.dataset;
  const base = `/api/enclosures/${encodeURIComponent(enclosure)}`;
  const during = `start=${encodeURIComponent(start)}&end=${encodeURIComponent(end)}`;

  // Fills in the row of heat blocks and the trips, in the same colours as everything else.
  const marks = (heat, trips) => (plot) => {
    const { ctx } = plot, ratio = window.devicePixelRatio || 1;
    const foot = plot.bbox.top + plot.bbox.height;
    const at = (ms) => Math.min(Math.max(plot.valToPos(ms / 1000, "x", true), plot.bbox.left), plot.bbox.left + plot.bbox.width);
    ctx.save();
    ctx.fillStyle = colour("heat");
    for (const [from, to, share] of heat) {
      const tall = Math.max(1.5, 11 * share) * ratio;
      ctx.fillRect(at(from), foot + 15 * ratio - tall, Math.max(at(to) - at(from), ratio * 0.7), tall);
    }
    ctx.fillStyle = colour("quiet");
    ctx.fillRect(plot.bbox.left, foot + 15 * ratio, plot.bbox.width, ratio);
    ctx.strokeStyle = ctx.fillStyle = colour("alarm");
    ctx.lineWidth = 1.4 * ratio;
    ctx.setLineDash([]);
    ctx.font = `600 ${13 * ratio}px system-ui, sans-serif`;
    for (const ms of trips) {
      const x = at(ms), right = x > plot.bbox.left + plot.bbox.width - 40 * ratio;
      ctx.beginPath(); ctx.moveTo(x, plot.bbox.top); ctx.lineTo(x, foot); ctx.stroke();
      ctx.textAlign = right ? "right" : "left";
      ctx.fillText("trip", x + (right ? -5 : 5) * ratio, plot.bbox.top + 13 * ratio);
    }
    ctx.restore();
  };

  // Times, means, least and most; where nothing was said for long, as on the server's drawing, the line is left open.
  const columns = (each) => {
    const table = [[], [], [], []], long = (Date.parse(end) - Date.parse(start)) / 100;
    const put = (ms, ...values) => [ms / 1000, ...values.map(shown)].forEach((value, index) => table[index].push(value));
    let before = Infinity;
    for (const row of each.rows) {
      if (row.start_ms - before > long) put(before + each.bucket_ms, null, null, null);
      put(row.start_ms + each.bucket_ms / 2, row.mean, row.least, row.most);
      before = row.start_ms;
    }
    return table;
  };
  const named = (series) => series.filter((each) => ORDER.includes(each.quantity) && each.rows.length)
    .sort((a, b) => ORDER.indexOf(a.quantity) - ORDER.indexOf(b.quantity));

  // Series have their own times; between two of them the earlier one still stands, but not in a gap.
  const latest = (values, at) => {
    for (let index = at ?? -1; index >= 0 && index > at - 12; index -= 1) {
      if (values[index] !== undefined) return values[index];
    }
    return null;
  };
  // The key under the chart says the values under the finger.
  const tell = (labels, number) => (plot) => {
    const at = plot.cursor.idx;
    const said = (value) => at === null || at === undefined ? "" : value;
    labels.forEach((each, index) => {
      const place = document.querySelector(`.key [data-series="${CSS.escape(each.label)}"]`);
      if (place) place.textContent = said(number(plot, latest(plot.data.at(index - labels.length), at)));
    });
    const moment = document.querySelector(".key [data-moment]");
    if (moment) moment.textContent = said(at === null ? "" : when(plot.data[0][at]));
  };

  const draw = (series) => {
    const lines = named(series);
    if (!lines.length) return;
    const asked = JSON.parse(holder.dataset.asked || "[]");
    // uPlot draws in this order, and no band may lie over a line.
    const said = lines.map(columns);
    const tables = [...said.map(([at, , least, most]) => [at, least, most]), ...said.map((each) => each.slice(0, 2))];
    const first = holder.dataset.first.split(" ");
    const labels = lines.map((each) => ({ label: each.probe, kind: each.quantity, second: !first.includes(each.probe) }));
    if (asked.length) {
      tables.push([asked.map((point) => point[0] / 1000), asked.map((point) => shown(point[1]))]);
      labels.push({ label: "asked", kind: "asked" });
    }
    const font = "14px system-ui, sans-serif";
    const axis = (extra) => ({ stroke: () => colour("quiet"), font, ticks: { show: false }, grid: { stroke: () => colour("rule"), width: 1 }, ...extra });
    const number = (plot, value) => value === null || value === undefined ? "—" : `${value <= -0.05 ? "−" : ""}${Math.abs(value).toFixed(1)} ${sign}`;
    const size = () => ({ width: holder.clientWidth, height: holder.clientWidth < 500 ? 260 : 360 });
    const options = {
      ...size(),
      tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), zone),
      cursor: { points: { size: 7 }, drag: { x: true, y: false } },
      scales: { x: { range: () => [Date.parse(start) / 1000, Date.parse(end) / 1000] } },
      axes: [axis({ size: 50, gap: 20, space: holder.clientWidth < 500 ? 50 : 64, values: times }), axis({ size: 46, incrs: [1, 2, 5, 10, 20, 50], values: (plot, values) => values.map((v) => `${v < 0 ? "−" : ""}${Math.abs(v)}`) })],
      series: [{}, ...lines.flatMap(() => [{ points: { show: false } }, { points: { show: false } }]), ...labels.map((each) => ({
        label: each.label, stroke: () => colour(each.kind), spanGaps: each.kind === "asked", points: { show: false }, ...LINES[each.kind], ...(each.second ? { width: each.kind === "soil" ? 2.2 : 1.2 } : {}),
      }))],
      bands: lines.map((each, index) => ({ series: [2 * index + 2, 2 * index + 1], fill: () => `${colour(each.quantity)}4d` })),
      legend: { show: false },
      hooks: { setCursor: [tell(labels, number)], draw: [marks(JSON.parse(holder.dataset.heat || "[]"), JSON.parse(holder.dataset.trips || "[]"))] },
    };
    const plot = document.createElement("div");
    plot.setAttribute("role", "img");
    plot.setAttribute("aria-label", holder.querySelector("svg")?.getAttribute("aria-label") || "");
    // 2: a gap of one series stays one at the times that others have within it.
    const chart = new uPlot(options, uPlot.join(tables, tables.map((each) => each.map(() => 2))), plot);
    holder.replaceChildren(plot);
    new ResizeObserver(() => chart.setSize(size())).observe(holder);
    for (const media of ["(prefers-color-scheme: dark)", "print"]) {
      matchMedia(media).addEventListener("change", () => chart.redraw(false, true));
    }
  };
  const local = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options });
  const clock = local({ hour: "2-digit", minute: "2-digit" }), day = local({ weekday: "short", day: "numeric" });
  const whole = local({ weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  const when = (seconds) => whole.format(new Date(seconds * 1000));
  const times = (plot, splits) => splits.map((seconds) => {
    const text = clock.format(new Date(seconds * 1000));
    return text === "00:00" ? day.format(new Date(seconds * 1000)) : text;
  });
  const list = (said, key) => Array.isArray(said) ? said : said[key] || [];
  const json = async (address) => {
    const reply = await fetch(address);
    if (!reply.ok) throw new Error(`${address}: ${reply.status}`);
    return reply.json();
  };

  json(`${base}/readings?${during}&points=600`)
    .then((readings) => draw(list(readings, "series")))
    .catch(() => {});
})();
