// A table as a grid with its breakpoints: new values, old values or differences.

const markSigns = { raised: "▲", lowered: "▼", switched: "◆" };
const views = ["new", "old", "change"];

/** The grid in one view; `times` adds each cell's share of the logged time. */
function drawGrid(table, view, chosen, times) {
  const { data } = table;
  const caption = make("caption", { id: uniqueId("caption") }, captionText(table, view));
  const grid = make("table", { role: "grid", "aria-labelledby": caption.id, "aria-readonly": "true", class: view });
  const context = { table, view, chosen, times, maxShare: Math.max(0, ...(data.logged?.cells ?? [])) };
  const body = make("tbody");
  grid.append(caption);
  if (data.x) grid.append(drawHead(table, view));
  for (let y = 0; y < data.ny; y += 1) body.append(drawRow(context, y));
  grid.append(body);
  return grid;
}

function captionText(table, view) {
  const values = { new: "new values", old: "old values", change: "differences" }[view];
  return `${table.title}, ${withUnit(values, table.data.unit && `in ${table.data.unit}`)}`;
}

/** The meaning of the frame around cells; "" without a frame. */
function operatingRangeText(table) {
  const ranges = ["x", "y"].map((side) => operatingRangeOf(table, side)).filter(Boolean);
  return ranges.length ? `Framed is the operating range: ${ranges.join(", ")}.` : "";
}

function operatingRangeOf(table, side) {
  const axis = table.data[side];
  if (!axis?.operating) return "";
  const breakpoints = table.breakpoints(side);
  const [first, last] = axis.operating;
  const from = breakpoints[first] === breakpoints[last] ? "" : `${breakpoints[first]} to `;
  return withUnit(`${from}${breakpoints[last]}`, axis.unit);
}

function axisName(axis) {
  return axis.unit && axis.unit !== "-" ? `${axis.signal}, ${axis.unit}` : axis.signal;
}

function drawHead(table, view) {
  const { x, y, nx } = table.data;
  const points = Array.from({ length: nx }, (_, index) => drawBreakpoint(table, "x", index, view));
  if (!y) {
    return make("thead", {}, make("tr", {}, make("th", { scope: "row", class: "signal" }, axisName(x)), ...points));
  }
  const corner = make("th", { scope: "col", rowspan: 2, class: "signal" }, axisName(y));
  const across = make("th", { scope: "colgroup", colspan: nx, class: "signal across" }, axisName(x));
  return make("thead", {}, make("tr", {}, corner, across), make("tr", {}, ...points));
}

function drawBreakpoint(table, side, index, view) {
  const text = table.breakpoint(side, index, view);
  const oldText = table.breakpoint(side, index, "old");
  const moved = table.isMoved(side, index);
  const findings = table.breakpointFindings(side, index);
  const parts = [drawFindingLetter(findings)];
  if (moved && view !== "old") {
    const direction = Number(text) < Number(oldText) ? "lowered" : "raised";
    parts.push(drawMark(direction), text, spokenText(`, moved from ${oldText}`), drawOldValue(oldText));
  } else {
    parts.push(text);
  }
  return make("th", { scope: side === "x" ? "col" : "row", class: moved ? "moved" : undefined }, ...parts);
}

function drawMark(direction) {
  return make("span", { class: "mark", "aria-hidden": "true" }, markSigns[direction]);
}

/** The old value, which is printed below the new one. */
function drawOldValue(text) {
  return make("span", { class: "was", "aria-hidden": "true" }, text);
}

function drawRow(context, y) {
  const { table } = context;
  const { data } = table;
  const row = make("tr");
  if (data.y) row.append(drawBreakpoint(table, "y", y, context.view));
  else row.append(make("th", { scope: "row" }, data.unit && data.unit !== "-" ? `Value, ${data.unit}` : "Value"));
  for (let x = 0; x < data.nx; x += 1) row.append(drawCell(context, x, y));
  return row;
}

function drawCell(context, x, y) {
  const { table, view, chosen } = context;
  const cell = table.cell(x, y);
  const kinds = operatingRangeEdges(table, x, y);
  const parts = [];
  const findings = table.findingsByCell.get(cell);
  if (findings) {
    kinds.push("pinned");
    parts.push(drawFindingLetter(findings));
  }
  if (table.isChanged(cell)) parts.push(...changedParts(table, cell, view, kinds));
  else if (view === "change") parts.push(make("span", { "aria-hidden": "true" }, "·"), spokenText("unchanged"));
  else parts.push(view === "old" ? table.old(cell) : table.new(cell));
  if (view !== "change") {
    const shade = table.valueLevel(cell, view);
    if (shade !== undefined) kinds.push(`s${shade}`);
  }
  if (table.off(view).has(cell)) {
    kinds.push("off");
    parts.push(spokenText(", switched off"));
  }
  if (context.times && table.data.logged) parts.push(drawTime(context, cell));
  if (cell === chosen) kinds.push("chosen");
  const tabindex = cell === chosen ? 0 : -1;
  return make("td", { class: kinds.join(" ") || undefined, tabindex, "data-cell": cell }, ...parts);
}

function changedParts(table, cell, view, kinds) {
  const direction = table.direction(cell);
  const difference = table.difference(cell);
  const changeText = direction === "switched" ? "changed" : `${direction} by ${difference.replace(/^[+-]/, "")}`;
  kinds.push("changed", direction, `w${table.changeLevel(cell)}`);
  if (view === "old") return [table.old(cell), spokenText(`, ${changeText} to ${table.new(cell)}`)];
  const text = view === "new" ? table.new(cell) : difference || `${table.old(cell)} → ${table.new(cell)}`;
  return [drawMark(direction), text, spokenText(`, ${changeText} from ${table.old(cell)}`), drawOldValue(table.old(cell))];
}

/** The edges of the operating range at which a cell lies, as classes. */
function operatingRangeEdges(table, x, y) {
  const { data } = table;
  const [left, right] = data.x?.operating ?? [0, data.nx - 1];
  const [top, bottom] = data.y?.operating ?? [0, data.ny - 1];
  if (!data.x?.operating && !data.y?.operating) return [];
  if (x < left || x > right || y < top || y > bottom) return [];
  const edges = [["left", x === left], ["right", x === right], ["top", y === top], ["bottom", y === bottom]];
  return edges.filter(([, isEdge]) => isEdge).map(([edge]) => `frame-${edge}`);
}

/** The worst of some findings as a letter in a corner. */
function drawFindingLetter(findings) {
  if (!findings?.length) return "";
  const open = findings.filter((finding) => !finding.waiver);
  const severity = severities.find((level) => (open.length ? open : findings).some((finding) => finding.severity === level));
  const word = open.length ? count(open.length, "finding") : "waived";
  const letter = make("span", { "aria-hidden": "true" }, severity[0].toUpperCase());
  const kind = open.length ? severity : "accepted";
  return make("span", { class: `pin ${kind}` }, letter, spokenText(` ${severity}: ${word}, `));
}

function drawTime(context, cell) {
  const share = context.table.data.logged.cells[cell];
  const bar = make("span", { class: "bar", "aria-hidden": "true" });
  bar.style.setProperty("--share", context.maxShare ? share / context.maxShare : 0);
  return make("span", { class: "time" }, spokenText(", "), percentOf(share), spokenText(" of the time"), bar);
}

function percentOf(share) {
  if (!share) return "0 %";
  return share < 0.001 ? "< 0.1 %" : `${(100 * share).toFixed(1)} %`;
}

/** The text of an unchanged cell; its output may differ if a breakpoint moved. */
function unchangedText(table, cell) {
  const moves = table.movedBreakpoints(cell);
  if (!moves) return "unchanged";
  return `cell unchanged, its ${moves === 1 ? "breakpoint" : "breakpoints"} moved`;
}

/** All details of a cell in one view. */
function drawDetails(table, cell, view) {
  const { data } = table;
  const [oldRaw, newRaw] = table.raw(cell);
  const changed = table.isChanged(cell);
  const percent = table.percent(cell);
  const pairs = [["Where", table.place(cell, view)], ["Old", withUnit(table.old(cell), data.unit)]];
  if (changed) {
    pairs.push(["New", withUnit(table.new(cell), data.unit)]);
    if (table.difference(cell)) pairs.push(["Difference", withUnit(table.difference(cell), data.unit)]);
    if (percent) pairs.push(["Percent", `${percent} %`]);
  } else {
    pairs.push(["New", unchangedText(table, cell)]);
  }
  // A point of two software versions is no stored cell.
  if (!table.data.points) {
    pairs.push(["Raw", changed ? `${oldRaw} → ${newRaw}` : `${oldRaw}`], ["Address", table.address(cell)]);
  }
  if (data.logged) pairs.push(["Logged time", percentOf(data.logged.cells[cell])]);
  const list = make("dl", {}, ...pairs.filter(([, text]) => text !== "").map(([name, text]) =>
    make("div", { class: name.toLowerCase().replace(" ", "-") }, make("dt", {}, name), make("dd", {}, text))));
  const findings = table.findingsByCell.get(cell);
  return findings ? [list, drawFindingLinks(findings, table.section)] : [list];
}
