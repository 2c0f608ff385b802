// Enlarges the plot of a machine. An addition: the drawing and the table beside it need no script.
"use strict";
{
  const box = document.querySelector(".zoom"), source = document.getElementById("points");
  const button = box?.querySelector("button"), place = document.getElementById("zoomed");
  const isByDate = !new URLSearchParams(location.search).get("by");
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const language = navigator.language.startsWith(document.documentElement.lang) ? navigator.language : document.documentElement.lang;
  const number = new Intl.NumberFormat(language), minute = new Intl.DateTimeFormat(language, { hour: "numeric", minute: "2-digit" });
  const day = new Intl.DateTimeFormat(language, { day: "numeric", month: "short" });
  let plot = null;

  // Days while a step is half a day or more, else the time of day, with the day where it begins.
  const dates = (_, splits, axis, space, step) => splits.map((at) => {
    const moment = new Date(at * 1000);
    if (step >= 86400 || (moment.getHours() === 0 && moment.getMinutes() === 0)) return day.format(moment);
    return step >= 43200 ? "" : minute.format(moment);
  });
  const numbers = (_, splits) => splits.map((level) => number.format(level));

  const show = () => {
    const points = JSON.parse(source.textContent);
    const limit = points.x.map(() => points.limit);
    const axis = { stroke: colour("--ink2"), grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line") } };
    plot = new uPlot({
      width: place.clientWidth, height: 320, legend: { show: false },
      scales: { x: { time: isByDate }, y: { range: (_, low, high) => [Math.min(0, low), Math.max(high, points.limit ?? 0) * 1.05] } },
      axes: [{ ...axis, values: isByDate ? dates : numbers }, { ...axis, values: numbers }],
      series: [{}, { stroke: colour("--ink"), width: 1.6, spanGaps: false, points: { show: false } },
        { stroke: colour("--ink"), width: 1, dash: [6, 3], points: { show: false } }],
    }, [points.x, points.y, limit], place);
  };

  const move = (share, factor) => {
    const { min, max } = plot.scales.x, middle = (min + max) / 2 + share * (max - min), half = (max - min) * factor / 2;
    plot.setScale("x", { min: middle - half, max: middle + half });
  };
  const keys = { "+": [0, 0.5], "-": [0, 2], ArrowLeft: [-0.25, 1], ArrowRight: [0.25, 1] };

  if (box && source && window.uPlot) {
    box.hidden = false;
    button.addEventListener("click", () => {
      const isShown = !place.hidden;
      place.hidden = isShown;
      button.setAttribute("aria-expanded", String(!isShown));
      if (!plot) show();
    });
    place.addEventListener("keydown", (event) => {
      if (event.key === "0") plot.setData(plot.data, true);
      else if (keys[event.key]) move(...keys[event.key]);
      else return;
      event.preventDefault();
    });
    window.addEventListener("resize", () => plot?.setSize({ width: place.clientWidth, height: 320 }));
  }
}
