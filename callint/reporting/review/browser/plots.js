// Curves, and cuts through maps, as lines: the old ones dashed, the new ones solid.

const plotFrame = { width: 380, height: 240, left: 50, right: 36, top: 22, bottom: 42 };

/** Round numbers that divide a range into a few steps. */
function ticksOf(low, high, most = 5) {
  const raw = (high - low) / most || 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((digit) => digit * power).find((size) => size >= raw * 0.999);
  const ticks = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) ticks.push(n * step || 0); // never -0
  return ticks;
}

/** Whether all breakpoints are numbers, each above the one before. */
function isRising(texts) {
  const values = texts.map(Number);
  return values.every((value, n) => Number.isFinite(value) && (n === 0 || value > values[n - 1]));
}

/** Breakpoints of one axis as numbers; as indexes if some are not numbers or do not rise. */
function positions(...axes) {
  return axes.every(isRising) ? axes.map((texts) => texts.map(Number)) : axes.map((texts) => texts.map((_, n) => n));
}

/** A note on axes that do not rise in the shown views; "" if all rise. */
function spacingNote(table, sides, shownViews) {
  const uneven = sides.filter((side) => !shownViews.every((view) => isRising(table.breakpoints(side, view))));
  const names = uneven.map((side) => table.data[side].signal).join(" and of ");
  return names ? ` The breakpoints of ${names} do not all rise: they stand evenly spaced, not to scale.` : "";
}

function scale(low, high, from, to) {
  const span = high - low || 1;
  return (value) => from + ((value - low) / span) * (to - from);
}

/**
 * A plot of an old and a new line.
 *
 * Each line has `xs`, breakpoints as texts, and `ys`, numbers; NaN is a gap. `span` has the lowest and the
 * highest number of the value axis, `chosen` is the index of the chosen cell.
 */
function drawPlot({ name, xLabel, unit, old, current, span, chosen }) {
  const [oldXs, newXs] = positions(old.xs, current.xs);
  const all = [...oldXs, ...newXs];
  const x = scale(Math.min(...all), Math.max(...all), plotFrame.left, plotFrame.width - plotFrame.right);
  const margin = (span[1] - span[0]) * 0.06 || Math.abs(span[0]) * 0.1 || 1;
  const [low, high] = [span[0] - margin, span[1] + margin];
  const y = scale(low, high, plotFrame.height - plotFrame.bottom, plotFrame.top);
  const parts = [drawValueAxis(low, high, y, unit), drawBreakpointAxis(newXs, current.xs, x, xLabel)];
  if (newXs[chosen] !== undefined) {
    const position = x(newXs[chosen]);
    parts.push(draw("line", { class: "here", x1: position, x2: position, y1: plotFrame.top, y2: plotFrame.height - plotFrame.bottom }));
  }
  parts.push(drawLine(oldXs, old.ys, x, y, "old"), drawLine(newXs, current.ys, x, y, "new"));
  current.ys.forEach((value, n) => {
    if (!Number.isFinite(value) || value === old.ys[n] || newXs[n] === undefined) return;
    parts.push(draw("circle", { class: "point", cx: x(newXs[n]), cy: y(value), r: 3.5 }));
  });
  parts.push(...drawNames([["old", oldXs, old.ys], ["new", newXs, current.ys]], x, y));
  const size = `0 0 ${plotFrame.width} ${plotFrame.height}`;
  return draw("svg", { viewBox: size, class: "plot", role: "img", "aria-label": name }, ...parts);
}

function drawLine(xs, ys, x, y, kind) {
  let path = "";
  let pen = "M";
  // There may be fewer breakpoints than cells.
  xs.forEach((position, n) => {
    if (Number.isFinite(ys[n])) path += `${pen}${x(position).toFixed(1)} ${y(ys[n]).toFixed(1)}`;
    pen = Number.isFinite(ys[n]) ? "L" : "M";
  });
  return draw("path", { class: `line ${kind}`, d: path || "M0 0" });
}

function drawValueAxis(low, high, y, unit) {
  const group = draw("g", { class: "scale" });
  for (const tick of ticksOf(low, high)) {
    const at = y(tick);
    group.append(draw("line", { x1: plotFrame.left, x2: plotFrame.width - plotFrame.right, y1: at, y2: at }));
    group.append(draw("text", { x: plotFrame.left - 6, y: at + 3.5, "text-anchor": "end" }, numbers.format(tick)));
  }
  if (unit && unit !== "-") group.append(draw("text", { class: "unit", x: 4, y: 12 }, unit));
  return group;
}

function drawBreakpointAxis(xs, texts, x, xLabel) {
  const group = draw("g", { class: "scale" });
  const base = plotFrame.height - plotFrame.bottom;
  let free = -Infinity;
  xs.forEach((position, n) => {
    const at = x(position);
    group.append(draw("line", { class: "tick", x1: at, x2: at, y1: base, y2: base + 4 }));
    // Labels that would overlap are left out.
    const half = texts[n].length * 3.2 + 3;
    if (at - half < free) return;
    free = at + half;
    group.append(draw("text", { x: at, y: base + 16, "text-anchor": "middle" }, texts[n]));
  });
  const middle = (plotFrame.left + plotFrame.width - plotFrame.right) / 2;
  group.append(draw("text", { class: "unit", x: middle, y: base + 34, "text-anchor": "middle" }, xLabel));
  return group;
}

/** The labels "old" and "new" at the ends of the lines, moved apart if they would overlap. */
function drawNames(lines, x, y) {
  const names = [];
  for (const [name, xs, ys] of lines) {
    const last = ys.findLastIndex((value, n) => Number.isFinite(value) && n < xs.length);
    if (last >= 0) names.push({ name, x: x(xs[last]) + 8, y: y(ys[last]) + 4 });
  }
  if (names.length === 2 && Math.abs(names[0].y - names[1].y) < 13) {
    const middle = (names[0].y + names[1].y) / 2;
    const up = names[0].y < names[1].y ? 0 : 1;
    names[up].y = middle - 6.5;
    names[1 - up].y = middle + 6.5;
  }
  return names.map(({ name, x: left, y: top }) => draw("text", { class: `name ${name}`, x: left, y: top }, name));
}

/** The picture of a curve. */
function drawCurve(table, chosen) {
  const { x, unit } = table.data;
  return drawPlot({
    name: `${table.title}: old and new values by ${axisName(x)}`,
    xLabel: axisName(x), unit, span: table.span, chosen: table.at(chosen)[0],
    old: { xs: x.old, ys: table.numbers("old") },
    current: { xs: table.breakpoints("x"), ys: table.numbers("new") },
  });
}

/** A cut through a map along one axis, "x" or "y", at the breakpoint of a cell on the other. */
function drawCut(table, side, chosen) {
  const [x, y] = table.at(chosen);
  const axis = table.data[side];
  const length = side === "x" ? table.data.nx : table.data.ny;
  const cells = Array.from({ length }, (_, n) => (side === "x" ? table.cell(n, y) : table.cell(x, n)));
  const pick = (view) => cells.map((cell) => table.numbers(view)[cell]);
  return drawPlot({
    name: `${table.title}: old and new values by ${axisName(axis)} at ${cutPosition(table, side, chosen)}`,
    xLabel: axisName(axis), unit: table.data.unit, span: table.span, chosen: side === "x" ? x : y,
    old: { xs: axis.old, ys: pick("old") },
    current: { xs: table.breakpoints(side), ys: pick("new") },
  });
}

/** The position of a cut: the breakpoint on the other axis. */
function cutPosition(table, side, chosen) {
  const [x, y] = table.at(chosen);
  const other = side === "x" ? "y" : "x";
  return table.breakpointText(other, side === "x" ? y : x);
}
