/* Draws each <div data-chart="ID"> from the JSON block with that id; the table beside it says the same.
 *
 * The block holds:
 *   kind        "line", "bar" or "interval" (points with their interval)
 *   categories  names along the axis
 *   series      [{name, values, low?, high?, unfinished?, marks?}] one number (or null) a category;
 *               low and high draw intervals; unfinished: true where the figure may still grow;
 *               marks true: large hollow points on a line chart, not joined
 *   unit        optional, written after each number
 *   across      optional true: categories run down the page, bars across it
 *   min, max    optional ends of the number axis
 *   lines       optional [{at, label}] level lines (a cutoff, a control limit)
 *   breaks      optional [{at, label}] category at which a definition changed
 */
(() => {
  "use strict";

  const SHAPES = ["circle", "rect", "triangle", "diamond", "emptyCircle", "emptyRect"];
  const STROKES = ["solid", "dashed", "dotted", [8, 3, 2, 3], [12, 4], [2, 5]];
  const drawn = new Map();

  const inks = () => {
    const style = getComputedStyle(document.documentElement);
    const read = (name) => style.getPropertyValue(name).trim();
    return {
      series: [1, 2, 3, 4, 5, 6].map((n) => read(`--chart-${n}`)),
      ink: read("--ink"),
      soft: read("--ink-2"),
      hair: read("--hair"),
      line: read("--line"),
      paper: read("--paper"),
      face: read("--face"),
    };
  };

  const numbers = new Intl.NumberFormat(document.documentElement.lang || "en", { maximumFractionDigits: 2 });
  const say = (value, unit) => (value === null || value === undefined ? "–" : numbers.format(value) + (unit ? ` ${unit}` : ""));

  const categoryAxis = (data, ink) => ({
    type: "category",
    data: data.categories,
    inverse: Boolean(data.across),
    axisLine: { lineStyle: { color: ink.line } },
    axisTick: { lineStyle: { color: ink.line }, alignWithLabel: true },
    axisLabel: { color: ink.ink, hideOverlap: true },
  });

  const numberAxis = (data, ink) => ({
    type: "value",
    min: data.min,
    max: data.max,
    scale: data.kind !== "bar" && data.min === undefined,
    axisLabel: { color: ink.soft, formatter: (value) => say(value, data.unit) },
    splitLine: { lineStyle: { color: ink.hair } },
  });

  /* The interval of one series: a stem with two short ends at each category. */
  const stems = (data, series, color, shift) => ({
    type: "custom",
    name: series.name,
    silent: true,
    tooltip: { show: false },
    z: 5,
    encode: data.across ? { x: [1, 2], y: 0 } : { x: 0, y: [1, 2] },
    data: series.low.map((low, index) => [index, low, series.high[index]]).filter((item) => item[1] !== null),
    renderItem: (_, api) => {
      const place = (value) => (data.across ? api.coord([value, api.value(0)]) : api.coord([api.value(0), value]));
      const band = data.across ? api.size([0, 1])[1] : api.size([1, 0])[0];
      const move = shift * band;
      const [a, b] = [place(api.value(1)), place(api.value(2))].map(([x, y]) => (data.across ? [x, y + move] : [x + move, y]));
      const end = ([x, y]) => (data.across ? { x1: x, y1: y - 4, x2: x, y2: y + 4 } : { x1: x - 4, y1: y, x2: x + 4, y2: y });
      const style = { stroke: color, lineWidth: 1.5 };
      const stem = { x1: a[0], y1: a[1], x2: b[0], y2: b[1] };
      return { type: "group", children: [stem, end(a), end(b)].map((shape) => ({ type: "line", shape, style })) };
    },
  });

  const markLines = (data, ink) => {
    const upright = { position: data.across ? "start" : "end", rotate: 0 };
    const flat = { position: "insideEndTop" };
    const level = (data.lines ?? []).map((line) => ({
      [data.across ? "xAxis" : "yAxis"]: line.at,
      name: line.label,
      label: data.across ? upright : flat,
    }));
    const breaks = (data.breaks ?? []).map((line) => ({
      [data.across ? "yAxis" : "xAxis"]: line.at,
      name: line.label,
      label: data.across ? flat : upright,
    }));
    if (!level.length && !breaks.length) return undefined;
    return {
      symbol: "none",
      silent: true,
      lineStyle: { color: ink.ink, type: [6, 3], width: 1 },
      label: { color: ink.ink, formatter: "{b}", textBorderColor: ink.paper, textBorderWidth: 3 },
      data: [...level, ...breaks],
    };
  };

  /* A figure that may still grow is drawn hollow. */
  const points = (data, series, color, ink) =>
    series.values.map((value, index) => {
      if (!series.unfinished?.[index]) return value;
      return {
        value,
        itemStyle: { color: ink.paper, borderColor: color, borderWidth: 2, borderType: "dashed", decal: { symbol: "none" } },
      };
    });

  const seriesOf = (data, ink) =>
    data.series.flatMap((series, index) => {
      const color = ink.series[index % ink.series.length];
      const count = data.series.length;
      const shift = data.kind === "line" ? 0 : ((index - (count - 1) / 2) * 0.7) / count;
      const main = {
        name: series.name,
        type: data.kind === "line" ? "line" : "bar",
        data: points(data, series, color, ink),
        color,
        markLine: index === 0 ? markLines(data, ink) : undefined,
      };
      if (data.kind === "line") {
        main.symbol = SHAPES[index % SHAPES.length];
        main.showAllSymbol = true;
        main.symbolSize = data.categories.length > 60 ? 5 : 8;
        main.lineStyle = { width: 2, type: STROKES[index % STROKES.length] };
        if (series.marks) {
          Object.assign(main, { symbol: "emptyCircle", symbolSize: 16, z: 6, color: ink.ink });
          main.lineStyle = { width: 0, opacity: 0 };
          main.itemStyle = { color: ink.ink, borderColor: ink.ink, borderWidth: 2 };
        }
      } else if (data.kind === "interval") {
        Object.assign(main, { type: "line", symbol: SHAPES[index % SHAPES.length], symbolSize: 10, lineStyle: { width: 0, opacity: 0 } });
      } else {
        main.barCategoryGap = "30%";
        main.barGap = "0%";
      }
      const list = [main];
      if (series.low && series.high) list.push(stems(data, series, data.kind === "bar" ? ink.ink : color, data.kind === "bar" ? shift : 0));
      return list;
    });

  const tooltip = (data, ink) => ({
    trigger: "axis",
    renderMode: "richText",
    confine: true,
    backgroundColor: ink.paper,
    borderColor: ink.line,
    textStyle: { color: ink.ink, fontFamily: ink.face },
    axisPointer: { type: "line", lineStyle: { color: ink.line } },
    formatter: (items) => {
      const index = items[0]?.dataIndex ?? 0;
      const lines = data.series.map((series) => {
        const low = series.low?.[index];
        const range = low === null || low === undefined ? "" : ` (${say(low)}–${say(series.high[index])})`;
        return `${series.name}: ${say(series.values[index], data.unit)}${range}`;
      });
      return [data.categories[index], ...lines].join("\n");
    },
  });

  const optionOf = (data, ink, words) => {
    const along = categoryAxis(data, ink);
    const up = numberAxis(data, ink);
    return {
      animation: false,
      backgroundColor: "transparent",
      textStyle: { fontFamily: ink.face, fontSize: 13, color: ink.ink },
      aria: { enabled: true, label: { description: words }, decal: { show: data.kind === "bar" && data.series.length > 1 } },
      grid: { left: 8, right: 24, top: data.series.length > 1 ? 52 : 28, bottom: 8, containLabel: true },
      legend: { show: data.series.length > 1, top: 0, left: 0, textStyle: { color: ink.ink }, data: data.series.map((item) => item.name) },
      xAxis: data.across ? up : along,
      yAxis: data.across ? along : up,
      tooltip: tooltip(data, ink),
      series: seriesOf(data, ink),
    };
  };

  const draw = (place) => {
    const block = document.getElementById(place.dataset.chart);
    if (!block || !window.echarts) return;
    const data = JSON.parse(block.textContent);
    const figure = place.closest("figure");
    const words = figure?.querySelector("figcaption")?.textContent.replace(/\s+/g, " ").trim() ?? "";
    place.classList.add("drawn");
    place.setAttribute("role", "img");
    const chart = drawn.get(place) ?? window.echarts.init(place, null, { renderer: "svg" });
    drawn.set(place, chart);
    chart.setOption(optionOf(data, inks(), words), true);
    figure?.querySelector("[data-close-when-drawn]")?.removeAttribute("open");
  };

  const drawAll = (root = document) => root.querySelectorAll?.("[data-chart]").forEach(draw);
  const forgetGone = () => {
    for (const [place, chart] of drawn) {
      if (place.isConnected) continue;
      chart.dispose();
      drawn.delete(place);
    }
  };

  document.addEventListener("roundbook:theme", () => drawAll());
  document.addEventListener("htmx:afterSettle", () => {
    forgetGone();
    document.querySelectorAll("[data-chart]:not(.drawn)").forEach(draw);
  });
  window.addEventListener("resize", () => drawn.forEach((chart) => chart.resize()));

  /* Paper is white whatever the screen shows, and narrower: redraw for it, then put the screen back. */
  let screenTheme;
  const redraw = (width) =>
    drawn.forEach((chart, place) => {
      chart.resize({ width });
      draw(place);
      chart.getZr().flush();
    });
  window.addEventListener("beforeprint", () => {
    screenTheme = document.documentElement.dataset.theme;
    document.documentElement.dataset.theme = "light";
    redraw(620);
  });
  window.addEventListener("afterprint", () => {
    if (screenTheme) document.documentElement.dataset.theme = screenTheme;
    else delete document.documentElement.dataset.theme;
    redraw("auto");
  });
  drawAll();
})();
