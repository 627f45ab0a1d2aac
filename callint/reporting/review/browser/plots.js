// Curves, and cuts through maps, as lines with their differences below them; scalars as marks on a scale.

const plotFrame = { width: 380, left: 50, right: 78, top: 24, values: 168, gap: 28, changes: 66, bottom: 40 };
/** The height of a label at the right edge. */
const labelHeight = 13;

/** The upper panel shows values, the lower one differences; both share the breakpoints. */
function panelsOf(hasChanges) {
  const { top, values, gap, changes, bottom } = plotFrame;
  const upper = { from: top, to: top + values };
  const lower = hasChanges ? { from: upper.to + gap, to: upper.to + gap + changes } : undefined;
  const base = (lower ?? upper).to;
  return { upper, lower, base, height: base + bottom, right: plotFrame.width - plotFrame.right };
}

/**
 * A plot of an old and a new line, and what belongs to them.
 *
 * `old`, `current` and each of `others` have `xs`, breakpoints as texts or numbers, and `ys`, numbers; NaN is a
 * gap. `span` is that of the value axis, `chosen` the index of the chosen cell, `bounds` are those of the table,
 * `breaks` points as pairs, `times` the shares of the cells in the logged time, from 0 to 1, the largest being 1.
 * `changes` are the differences, which are drawn below the values.
 */
function drawPlot(plot) {
  const { old, current, span, chosen, changes, others = [], bounds = [], breaks = [], times } = plot;
  const panels = panelsOf(changes);
  const isScaled = [old.xs, current.xs].every(isMonotonic);
  const [oldXs, newXs] = positions(old.xs, current.xs);
  const x = scale(...spanOf([...oldXs, ...newXs]) ?? [0, 1], plotFrame.left + 8, panels.right - 8);
  const y = scale(...span, panels.upper.to, panels.upper.from);
  // Only lines over breakpoints to scale have a place in the picture.
  const placed = isScaled ? others : [];
  const lines = [
    ...placed, { kind: "old", name: "old", xs: oldXs, ys: old.ys }, { kind: "new", name: "new", xs: newXs, ys: current.ys },
  ];
  const points = current.ys.flatMap((value, n) => {
    if (!Number.isFinite(value) || value === old.ys[n] || newXs[n] === undefined) return [];
    return [draw("circle", { class: "point", cx: x(newXs[n]), cy: y(value), r: 3.2 })];
  });
  const size = `0 0 ${plotFrame.width} ${panels.height}`;
  return draw("svg", { viewBox: size, class: "plot", role: "img", "aria-label": plot.name },
    drawValueAxis(span, y, panels, plot.unit),
    drawBreakpointAxis(newXs, current.xs, x, plot.xLabel, panels.base),
    newXs[chosen] === undefined ? "" : drawChosenLine(x(newXs[chosen]), panels),
    inPanel(panels, panels.upper, drawBounds(bounds, span, y, panels), times ? drawTimeBars(newXs, times, x, panels) : "",
      ...lines.map((line) => drawLine(line.xs, line.ys, x, y, line.kind)), ...points,
      ...(isScaled ? breaks.map(([at, value]) => drawCross(x(at), y(value))) : [])),
    changes ? drawChanges(changes, newXs, x, panels) : "",
    drawNames([...lines.flatMap((line) => endOf(line, x, y)), ...boundLabels(bounds, span, y, panels),
      ...(times ? [{ kind: "logged", name: "time", y: panels.upper.to }] : [])], panels));
}

/** Content that is cut off at the edges of a panel. */
function inPanel({ right }, { from, to }, ...content) {
  const [x, width] = [plotFrame.left, right - plotFrame.left];
  const box = { x, y: from - 5, width, height: to - from + 10 };
  return draw("svg", { ...box, viewBox: `${x} ${box.y} ${width} ${box.height}` }, ...content);
}

function drawLine(xs, ys, x, y, kind) {
  let path = "";
  let pen = "M";
  // There may be fewer breakpoints than cells.
  xs.forEach((position, n) => {
    const isPoint = Number.isFinite(ys[n]) && Number.isFinite(position);
    if (isPoint) path += `${pen}${x(position).toFixed(1)} ${y(ys[n]).toFixed(1)}`;
    pen = isPoint ? "L" : "M";
  });
  return draw("path", { class: `line ${kind}`, d: path || "M0 0" });
}

function drawChosenLine(at, { upper, base }) {
  return draw("line", { class: "here", x1: at, x2: at, y1: upper.from, y2: base });
}

/** A point at which a relation is broken. */
function drawCross(x, y) {
  return draw("path", { class: "break", d: `M${x - 5} ${y - 5}L${x + 5} ${y + 5}M${x - 5} ${y + 5}L${x + 5} ${y - 5}` });
}

/** The bounds in the span as lines, with the values that violate them shaded. */
function drawBounds(bounds, [low, high], y, { upper, right }) {
  const group = draw("g", { class: "bounds" });
  for (const { kind, side, value } of bounds) {
    if (value < low || value > high) continue;
    const [from, to] = side === "above" ? [upper.from, y(value)] : [y(value), upper.to];
    group.append(draw("rect", { class: kind, x: plotFrame.left, y: from, width: right - plotFrame.left, height: Math.max(0, to - from) }));
    group.append(draw("line", { class: kind, x1: plotFrame.left, x2: right, y1: y(value), y2: y(value) }));
  }
  return group;
}

/** The names of the bounds in the span. */
function boundLabels(bounds, [low, high], y) {
  const shown = bounds.filter(({ value }) => value >= low && value <= high);
  return shown.map(({ kind, value }) => ({ kind, name: kind, y: y(value) + 4 }));
}

/** The shares of the logged time as bars on the lower edge of the values. */
function drawTimeBars(xs, times, x, { upper }) {
  const most = (upper.to - upper.from) * 0.4;
  const bars = xs.flatMap((position, n) => (times[n]
    ? [draw("rect", { x: x(position) - 3.5, width: 7, y: upper.to - most * times[n], height: most * times[n] })] : []));
  return draw("g", { class: "times" }, ...bars);
}

/** The differences below the values: bars of cells, or a line over all breakpoints of both images. */
function drawChanges(changes, newXs, x, panels) {
  const { lower, right } = panels;
  const group = draw("g", { class: "changes" });
  if (changes.note) {
    const middle = (plotFrame.left + right) / 2;
    group.append(draw("text", { class: "note", x: middle, y: (lower.from + lower.to) / 2, "text-anchor": "middle" }, changes.note));
    return group;
  }
  const span = widened([Math.min(0, changes.span[0]), Math.max(0, changes.span[1])], 0.12);
  const y = scale(...span, lower.to, lower.from);
  for (const tick of ticksOf(...span, 3)) {
    group.append(draw("line", { x1: plotFrame.left, x2: right, y1: y(tick), y2: y(tick) }));
    group.append(draw("text", { x: plotFrame.left - 6, y: y(tick) + 3.5, "text-anchor": "end" }, signedNumbers.format(tick)));
  }
  group.append(draw("line", { class: "nought", x1: plotFrame.left, x2: right, y1: y(0), y2: y(0) }));
  const xs = changes.xs ?? newXs;
  if (changes.xs) group.append(drawLine(xs, changes.ys, x, y, "change"));
  xs.forEach((position, n) => {
    const value = changes.ys[n];
    if (!value || !Number.isFinite(value)) return;
    const kind = value > 0 ? "raised" : "lowered";
    if (!changes.xs) group.append(draw("line", { class: `bar ${kind}`, x1: x(position), x2: x(position), y1: y(0), y2: y(value) }));
    group.append(drawTip(x(position), y(value), value > 0));
  });
  for (const n of changes.switched ?? []) group.append(drawDiamond(x(xs[n]), y(0)));
  group.append(draw("text", { class: "name change", x: right + 9, y: (lower.from + lower.to) / 2 + 4 }, "difference"));
  return group;
}

/** The end of a bar: a triangle up for raised, down for lowered, as in the grid. */
function drawTip(x, y, isUp) {
  const height = isUp ? -6 : 6;
  return draw("path", { class: isUp ? "tip raised" : "tip lowered", d: `M${x - 4} ${y - height / 2}L${x + 4} ${y - height / 2}L${x} ${y + height / 2}Z` });
}

function drawDiamond(x, y) {
  return draw("path", { class: "tip switched", d: `M${x - 5} ${y}L${x} ${y - 5}L${x + 5} ${y}L${x} ${y + 5}Z` });
}

function drawValueAxis([low, high], y, { right }, unit) {
  const group = draw("g", { class: "scale" });
  for (const tick of ticksOf(low, high)) {
    const at = y(tick);
    group.append(draw("line", { x1: plotFrame.left, x2: right, y1: at, y2: at }));
    group.append(draw("text", { x: plotFrame.left - 6, y: at + 3.5, "text-anchor": "end" }, numbers.format(tick)));
  }
  if (unit && unit !== "-") group.append(draw("text", { class: "unit", x: 4, y: 12 }, unit));
  return group;
}

function drawBreakpointAxis(xs, texts, x, xLabel, base) {
  const group = draw("g", { class: "scale" });
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
  group.append(draw("text", { class: "unit", x: middle, y: base + 33, "text-anchor": "middle" }, xLabel));
  return group;
}

/** The label of a line at its last point; none for a line without a point. */
function endOf({ name, kind, xs, ys }, x, y) {
  const last = ys.findLastIndex((value, n) => Number.isFinite(value) && Number.isFinite(xs[n]));
  return last < 0 ? [] : [{ name, kind, y: y(ys[last]) + 4 }];
}

/** The names of lines and bounds beside the panel, moved apart if they would overlap. */
function drawNames(labels, { upper, right }) {
  const placed = spread(labels.map((label) => ({ ...label, end: label.y - 4 })), labelHeight, upper.from + 4, upper.to + 4);
  return draw("g", {}, ...placed.map(({ end, y }) => draw("line", { class: "leader", x1: right, x2: right + 7, y1: end, y2: y - 4 })),
    ...placed.map(({ name, kind, y }) => draw("text", { class: `name ${kind}`, x: right + 9, y }, name)));
}
