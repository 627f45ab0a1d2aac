// The pictures of a table: which there are, what they show, and what they say in words.

/** The most points of a surface: more would make turning it slow. */
const mostPoints = 6400;
/** About the height of the pictures of a table below its grid, in pixels. */
const pictureHeights = { map: 690, curve: 380, scalar: 190 };
const surfaceTitles = { old: "Old values", new: "New values", difference: "Difference" };

/** The numbers of a table that its pictures use. */
class PictureData {
  constructor(table) {
    this.table = table;
    const { base, bounds = [], relations = [], logged } = table.data;
    this.bounds = bounds;
    this.relations = relations;
    this.base = base;
    if (base) {
      this.baseValues = [...table.numbers("old")];
      expandSpans(base.cells).forEach((cell, n) => {
        this.baseValues[cell] = base.values[n] ?? NaN;
      });
    }
    const most = spanOf(logged?.cells ?? [])?.[1];
    this.mostTime = most;
    this.times = most ? logged.cells.map((share) => share / most) : undefined;
    this.differences = Array.from({ length: table.size }, (_, cell) => {
      if (!table.isChanged(cell)) return table.off("new").has(cell) ? NaN : 0;
      const text = table.difference(cell);
      return text === "" ? NaN : Number(text);
    });
    // Without axes to scale, nobody can say how far the output moved.
    const isMoved = ["x", "y"].some((side) => table.data[side]?.new !== undefined);
    const isScaled = ["x", "y"].every((side) => ["old", "new"].every((view) => isMonotonic(table.breakpoints(side, view))));
    this.outputs = isMoved && isScaled ? table.data.outputs : undefined;
    this.isUnknown = isMoved && !this.outputs;
    this.changeValues = this.outputs ? this.outputs.differences.map((value) => value ?? NaN) : this.differences;
    this.changeSpan = spanOf(this.changeValues) ?? [0, 0];
  }

  /** The span of the value axis: old and new values, and the base, bounds and related tables that are not far away. */
  get span() {
    const [low, high] = this.table.span;
    // Two values need less room than a line; what they are compared with matters more.
    const reach = (high - low) * (this.table.size === 1 ? 15 : 0.6) || Math.abs(low) * 0.25 || 1;
    const others = this.relations.flatMap(({ x, y }) => [x, y]).flatMap((lines) => lines?.values ?? []);
    const near = [...this.bounds.map(({ value }) => value), ...this.baseValues ?? [], ...others]
      .filter((value) => Number.isFinite(value) && value >= low - reach && value <= high + reach);
    return widened(spanOf([low, high, ...near]));
  }

  /** The bounds as words, once for all pictures of the table. */
  boundsText() {
    const [low, high] = this.span;
    const texts = this.bounds.map(({ value, text }) => (value < low || value > high ? `${text} (outside the picture)` : text));
    return texts.length ? `Bounds: ${texts.join("; ")}.` : "";
  }

  /** What each related table demands, with its name in the pictures. */
  relationsText() {
    return this.relations.map(({ text, broken }, n) => {
      const name = this.relations.length > 1 ? `other ${n + 1}` : "other";
      return `The table ${text} (${name} in the pictures)${broken ? ", but is not" : ""}.`;
    }).join(" ");
  }

  /** Where a cut breaks a relation, and where else one is broken; `rowText` names the other cuts. */
  breaksText(side, row, rowText) {
    const rows = [...new Set(this.relations.flatMap((relation) => relation[side]?.breaks.map(([line]) => line) ?? []))];
    const elsewhere = rows.filter((line) => line !== row);
    const more = elsewhere.length > 3 ? ` and ${elsewhere.length - 3} more` : "";
    return [
      rows.includes(row) ? "Crosses: broken relation." : "",
      elsewhere.length ? `A relation is ${rows.includes(row) ? "also " : ""}broken at ${elsewhere.slice(0, 3).map(rowText).join(", ")}${more}.` : "",
    ].filter(Boolean).join(" ");
  }

  /** The lines of other tables, and the points at which a relation is broken, for one row or column. */
  relatedLines(side, row) {
    const related = this.relations.map((relation, n) => ({ ...relation[side], n })).filter(({ points }) => points);
    const lines = related.map(({ points, at, values, n }) => {
      const first = row * points;
      const xs = at.length > points ? at.slice(first, first + points) : at;
      const name = this.relations.length > 1 ? `other ${n + 1}` : "other";
      const toNumber = (value) => value ?? NaN;
      return { kind: `other other-${n + 1}`, name, xs: xs.map(toNumber), ys: values.slice(first, first + points).map(toNumber) };
    });
    const breaks = related.flatMap((line) => line.breaks).filter(([line]) => line === row).map(([, ...place]) => place);
    return { lines, breaks };
  }
}

/** All pictures of a table, in `element`. */
class Pictures {
  constructor(table, chosen) {
    this.table = table;
    this.chosen = chosen;
    this.data = new PictureData(table);
    this.element = make("div", { class: `pictures is-${table.data.kind}` });
    this.plots = [];
    this.hasTimes = pageState.times;
    const { kind, nx, ny } = table.data;
    const isLarge = Math.max(table.size, this.data.changeValues.length) > mostPoints;
    if (nx > 1 && ny > 1 && !isLarge) this.drawTurntable();
    if (kind === "scalar") this.addPlot("scalar", () => drawScalar(this.table, this.data));
    else if (kind === "curve") this.addPlot("curve", () => this.drawCut("x"));
    else {
      for (const side of ["x", "y"]) {
        if (table.breakpoints(side).length > 1) this.addPlot(`cut-${side}`, () => this.drawCut(side));
      }
    }
    this.drawPlots();
    const large = isLarge ? "The map has too many cells for surfaces." : "";
    const note = [large, this.data.relationsText(), this.data.boundsText()].filter(Boolean).join(" ");
    if (note) this.element.append(make("p", { class: "picture-note" }, note));
  }

  figure(kind, ...content) {
    const caption = make("figcaption");
    this.element.append(make("figure", { class: kind }, ...content, caption));
    return caption;
  }

  addPlot(kind, drawn) {
    const holder = make("div");
    this.plots.push({ drawn, holder, caption: this.figure(kind, holder) });
  }

  drawPlots() {
    for (const { drawn, holder, caption } of this.plots) {
      const [picture, text] = drawn();
      holder.replaceChildren(picture);
      caption.textContent = text;
    }
  }

  choose(cell) {
    this.chosen = cell;
    this.drawPlots();
    this.turntable?.choose(cell);
  }

  /** Shows or hides the logged time. */
  showTimes() {
    if (!this.data.times || this.hasTimes === pageState.times) return;
    this.hasTimes = pageState.times;
    for (const { field } of this.turntable?.surfaces ?? []) field.times = pageState.times ? this.timesOf(field) : undefined;
    this.turntable?.render();
    if (this.turntable) this.describeSurfaces();
    this.drawPlots();
  }

  timesOf(field) {
    return this.data.times.map((share, cell) => [field.pointOf(cell), share]);
  }

  // Surfaces

  drawTurntable() {
    const { table, data } = this;
    const fields = ["old", "new", ...(data.isUnknown ? [] : ["difference"])].map((kind) => this.field(kind));
    if (pageState.times && data.times) for (const field of fields) field.times = this.timesOf(field);
    this.turntable = new Turntable(table.title, fields, this.chosen);
    const shown = data.isUnknown ? "new" : "difference";
    const figureClass = (kind) => `turn show-${kind}`;
    const choice = make("div", { class: "choice", role: "radiogroup", "aria-label": "Surface" }, ...this.surfaceChoice(fields, shown, (kind) => {
      caption.parentElement.className = figureClass(kind);
    }));
    const caption = this.figure(figureClass(shown), choice, this.turntable.element, this.turntable.buttons);
    this.surfaceCaption = caption;
    this.describeSurfaces();
  }

  describeSurfaces() {
    const unknown = " The difference of the outputs is unknown: an axis cannot be read, or has too many breakpoints.";
    this.surfaceCaption.replaceChildren(make("span", { class: "turning" },
      "Old and new have one height scale, the difference its own. A stem leads from the old value of a changed cell; "
      + "ring and lines are at the chosen cell."),
    `${this.data.isUnknown ? unknown : ""}${this.timeText("Discs")}${spacingNote(this.table, ["x", "y"], ["old", "new"])}`);
  }

  surfaceChoice(fields, shown, onChoose) {
    const name = uniqueId("surface");
    return fields.map(({ kind }) => make("label", {}, make("input", {
      type: "radio", name, value: `${kind} surface`, checked: kind === shown, onchange: () => onChoose(kind),
    }), make("span", {}, kind[0].toUpperCase() + kind.slice(1))));
  }

  timeText(word) {
    return pageState.times && this.data.times ? ` ${word}: share of the logged time, at most ${percentOf(this.data.mostTime)}.` : "";
  }

  /** A surface of the table: values of one image, or differences at the breakpoints of both images if some moved. */
  field(kind) {
    const { table, data } = this;
    const { nx, ny, x, y } = table.data;
    const isOutput = kind === "difference" && data.outputs;
    const view = kind === "old" ? "old" : "new";
    const both = ["x", "y"].map((side) => {
      const all = ["old", "new"].map((name) => table.breakpoints(side, name));
      const [oldPlaces, newPlaces] = positions(...all);
      return { oldPlaces, newPlaces, to: scale(...spanOf([...oldPlaces, ...newPlaces]), -1, 1) };
    });
    const places = both.map(({ oldPlaces, newPlaces, to }, n) => (isOutput ? [data.outputs.x, data.outputs.y][n]
      : kind === "old" ? oldPlaces : newPlaces).map(to));
    const axisOf = (side, axis) => ({ name: axisName(axis), first: table.breakpoints(side, view)[0], last: table.breakpoints(side, view).at(-1) });
    const values = kind === "difference" ? data.changeValues : table.numbers(view);
    const span = kind === "difference" ? widened([Math.min(0, data.changeSpan[0]), Math.max(0, data.changeSpan[1])], 0.04) : table.span;
    return {
      kind, title: withUnit(surfaceTitles[kind], table.data.unit && `in ${table.data.unit}`), name: this.surfaceText(kind), values, span,
      nx: isOutput ? places[0].length : nx, ny: isOutput ? places[1].length : ny, xs: places[0], ys: places[1],
      axes: { x: axisOf("x", x), y: axisOf("y", y) },
      classOf: kind === "difference" ? classOfChange(values, data.changeSpan) : (corners) => classOfValue(table, view, corners, kind),
      pointOf: (cell) => {
        if (!isOutput) return cell;
        const [column, row] = table.at(cell);
        return data.outputs.y_of[row] * places[0].length + data.outputs.x_of[column];
      },
      stems: kind === "new" ? table.changed.map((cell) => [cell, table.numbers("old")[cell]]) : undefined,
    };
  }

  surfaceText(kind) {
    const { table, data } = this;
    if (kind !== "difference") return `${table.title}: ${kind} values as a surface. ${extremesText(table, table.numbers(kind), kind)}`;
    const [low, high] = data.changeSpan.map((value) => withUnit(signedNumbers.format(value), table.data.unit));
    return `${table.title}: difference of the ${data.outputs ? "outputs" : "values"} as a surface, from ${low} to ${high}. ${changesText(table)}`;
  }

  // Curves and cuts

  /** The picture of a curve, or of a cut through a map along "x" or "y" at the chosen cell; and its caption. */
  drawCut(side) {
    const { table, data, chosen } = this;
    const [x, y] = table.at(chosen);
    const axis = table.data[side];
    const length = side === "x" ? table.data.nx : table.data.ny;
    const isMap = table.data.kind === "map";
    const row = side === "x" ? y : x;
    const cells = Array.from({ length }, (_, n) => (side === "x" ? table.cell(n, y) : table.cell(x, n)));
    const pick = (values) => cells.map((cell) => values[cell]);
    const old = { xs: table.breakpoints(side, "old"), ys: pick(table.numbers("old")) };
    const current = { xs: table.breakpoints(side), ys: pick(table.numbers("new")) };
    const { lines, breaks } = data.relatedLines(side, row);
    if (data.base) lines.unshift({ kind: "base", name: "base", xs: (data.base[side] ?? current.xs).map(Number), ys: pick(data.baseValues) });
    const times = pageState.times && data.times ? pick(data.times) : undefined;
    const changes = this.changesAlong(side, row, cells);
    const at = isMap ? ` at ${cutPosition(table, side, chosen)}` : "";
    const name = `${table.title}: old and new values by ${axisName(axis)}${at}. ${lineText(table, side, row, old, current)}`;
    const picture = drawPlot({
      name, xLabel: axisName(axis), unit: table.data.unit, span: data.span, chosen: side === "x" ? x : y,
      old, current, others: lines, breaks, times, changes, bounds: data.bounds,
    });
    return [picture, this.cutCaption(side, row, at, changes)];
  }

  cutCaption(side, row, at, changes) {
    const { table, data } = this;
    const other = side === "x" ? "y" : "x";
    const rowText = (line) => (table.data[other] ? table.breakpointText(other, line) : "");
    const texts = [
      `${at ? `Cut${at}; old` : "Old"} dashed, new solid${data.base ? ", base dotted" : ""}.`,
      changes.xs ? "The difference is that of the outputs." : "",
      data.breaksText(side, row, rowText), this.timeText("Bars").trim(),
      spacingNote(table, [side], ["old", "new"]).trim(),
    ];
    return texts.filter(Boolean).join(" ");
  }

  /** The differences of some cells; of the outputs if breakpoints moved. */
  changesAlong(side, row, cells) {
    const { table, data } = this;
    if (data.isUnknown) return { note: "the difference of the outputs is unknown", span: [0, 0], ys: [] };
    const span = data.changeSpan;
    if (!data.outputs) {
      const switched = cells.flatMap((cell, n) => (table.isChanged(cell) && table.direction(cell) === "switched" ? [n] : []));
      const ys = cells.map((cell) => data.differences[cell]);
      const isSame = !switched.length && ys.every((value) => !value);
      return { ys, span, switched, note: isSame ? `no change in this ${side === "x" ? "row" : "column"}` : undefined };
    }
    const { x, y, x_of: columnsOf, y_of: rowsOf } = data.outputs;
    const line = (side === "x" ? rowsOf?.[row] : columnsOf[row]) ?? 0;
    const ys = side === "x" ? x.map((_, n) => data.changeValues[line * x.length + n]) : y.map((_, n) => data.changeValues[n * x.length + line]);
    return { xs: side === "x" ? x : y, ys, span };
  }
}

/** The class of a face of values: their height in 8 steps, and whether a corner changed. */
function classOfValue(table, view, corners, kind) {
  const [low, high] = table.span;
  const mean = corners.reduce((sum, cell) => sum + table.numbers(view)[cell], 0) / 4;
  const shade = high === low ? 0 : Math.min(shades - 1, Math.floor((shades * (mean - low)) / (high - low)));
  return `h${shade}${kind === "new" && corners.some((cell) => table.isChanged(cell)) ? " moved" : ""}`;
}

/** The class of a face of differences: raised or lowered, in 4 steps of the largest difference. */
function classOfChange(values, [low, high]) {
  const largest = Math.max(Math.abs(low), Math.abs(high)) || 1;
  return (corners) => {
    const mean = corners.reduce((sum, point) => sum + values[point], 0) / 4;
    if (!mean) return "level";
    return `${mean > 0 ? "up" : "down"}${Math.min(4, 1 + Math.floor((3.999 * Math.abs(mean)) / largest))}`;
  };
}

/** The position of a cut: the breakpoint on the other axis. */
function cutPosition(table, side, chosen) {
  const [x, y] = table.at(chosen);
  const other = side === "x" ? "y" : "x";
  return table.breakpointText(other, side === "x" ? y : x);
}

// Texts for those who do not see the pictures

function extremesText(table, values, view) {
  const span = spanOf(values);
  if (!span) return "No cell holds a number.";
  const text = (value) => {
    const cell = values.indexOf(value);
    return `${withUnit(view === "old" ? table.old(cell) : table.new(cell), table.data.unit)} at ${table.place(cell, view)}`;
  };
  return span[0] === span[1] ? `All are ${text(span[0])}.` : `Lowest ${text(span[0])}; highest ${text(span[1])}.`;
}

/** The numbers of raised and lowered cells, and the largest change. */
function changesText(table) {
  const kinds = { raised: 0, lowered: 0, switched: 0 };
  for (const cell of table.changed) kinds[table.direction(cell)] += 1;
  const counts = Object.entries(kinds).filter(([, amount]) => amount).map(([kind, amount]) => `${amount} ${kind}`);
  const largest = table.changed.find((cell) => Math.abs(Number(table.difference(cell))) === table.largest && table.largest);
  const text = largest === undefined ? "" : `; largest ${withUnit(table.difference(largest), table.data.unit)} at ${table.place(largest)}`;
  return counts.length ? `Cells: ${counts.join(", ")} of ${table.size}${text}.` : "No cell changed, but breakpoints moved.";
}

/** What the lines of a plot do: their ends and spans, and the largest difference on them. */
function lineText(table, side, row, old, current) {
  const { unit } = table.data;
  const spanText = (name, { ys }) => {
    const span = spanOf(ys);
    return span ? `${name} from ${withUnit(numbers.format(span[0]), unit)} to ${withUnit(numbers.format(span[1]), unit)}` : `${name} without numbers`;
  };
  const cells = current.ys.map((_, n) => (side === "x" ? table.cell(n, row) : table.cell(row, n)));
  const changed = cells.filter((cell) => table.isChanged(cell));
  const size = (cell) => Math.abs(Number(table.difference(cell))) || 0;
  const largest = changed.reduce((best, cell) => (size(cell) > size(best) ? cell : best), changed[0]);
  const change = changed.length
    ? `${count(changed.length, "cell")} changed, ${table.place(largest)}: ${table.old(largest)} → ${withUnit(table.new(largest), unit)}`
    : "no cell changed";
  return `${spanText("Old", old)}, ${spanText("new", current)}; ${change}.`;
}
