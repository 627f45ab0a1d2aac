// A scalar as marks on a scale: old and new value, bounds, the base, related tables.

const scalarFrame = { width: 380, left: 14, right: 14, line: 80, height: 120 };

/** The picture of a scalar and its caption. */
function drawScalar(table, data) {
  const { unit } = table.data;
  const [[oldValue], [newValue]] = [table.numbers("old"), table.numbers("new")];
  const related = data.relatedLines("x", 0).lines;
  const marks = [
    { kind: "old", name: "old", value: oldValue }, { kind: "new", name: "new", value: newValue },
    ...(data.base ? [{ kind: "base", name: "base", value: data.baseValues[0] }] : []),
    ...related.map(({ kind, name, ys: [value] }) => ({ kind, name, value })),
  ].filter(({ value }) => Number.isFinite(value));
  const span = data.span;
  const x = scale(...span, scalarFrame.left, scalarFrame.width - scalarFrame.right);
  const room = new LabelRoom(scalarFrame.width);
  const [shown, near] = [marks, data.bounds].map((items) => items.filter(({ value }) => value >= span[0] && value <= span[1]));
  const texts = marks.map(({ name, value }) => `${name} ${withUnit(numbers.format(value), unit)}`);
  const name = `${table.title}: ${texts.join(", ")}. ${data.boundsText()}`;
  const picture = draw("svg", { viewBox: `0 0 ${scalarFrame.width} ${scalarFrame.height}`, class: "scalar", role: "img", "aria-label": name },
    drawScalarBounds(data.bounds, span, x), drawScalarScale(span, x, room), ...shown.map((mark) => drawScalarMark(mark, x)),
    ...drawScalarLabels([...shown, ...near.map(({ kind, value }) => ({ kind, name: kind, value }))], x, room));
  const far = marks.filter((mark) => !shown.includes(mark)).map(({ name: word, value }) => `${word} is ${withUnit(numbers.format(value), unit)}, outside the picture`);
  const caption = [
    `Old is the circle, new the diamond${data.base ? ", the base dotted" : ""}${related.length ? ", another table a square" : ""}.`,
    ...far.map((text) => `${text}.`),
  ];
  return [picture, caption.filter(Boolean).join(" ")];
}

function drawScalarBounds(bounds, [low, high], x) {
  const group = draw("g", { class: "bounds" });
  const { left, width, right, line } = scalarFrame;
  for (const { kind, side, value } of bounds) {
    if (value < low || value > high) continue;
    const [from, to] = side === "above" ? [x(value), width - right] : [left, x(value)];
    group.append(draw("rect", { class: kind, x: from, y: line - 12, width: Math.max(0, to - from), height: 24 }));
    group.append(draw("line", { class: kind, x1: x(value), x2: x(value), y1: line - 12, y2: line + 12 }));
  }
  return group;
}

function drawScalarScale(span, x, room) {
  const { left, width, right, line, height } = scalarFrame;
  const group = draw("g", { class: "scale" }, draw("line", { class: "height", x1: left, x2: width - right, y1: line, y2: line }));
  for (const tick of ticksOf(...span, 5)) {
    const label = room.place(numbers.format(tick), x(tick), height - 6, "middle");
    group.append(draw("line", { class: "tick", x1: x(tick), x2: x(tick), y1: line - 4, y2: line + 16 }), label ?? "");
  }
  return group;
}

/** The mark of a value; the shapes differ, so that no colour is needed. */
function drawScalarMark({ kind, value }, x) {
  const [at, { line }] = [x(value), scalarFrame];
  if (kind === "old") return draw("circle", { class: "mark old", cx: at, cy: line, r: 5 });
  if (kind === "new") return draw("path", { class: "mark new", d: `M${at - 6} ${line}L${at} ${line - 6}L${at + 6} ${line}L${at} ${line + 6}Z` });
  if (kind === "base") return draw("line", { class: "mark base", x1: at, x2: at, y1: line - 9, y2: line + 9 });
  return draw("rect", { class: "mark other", x: at - 4.5, y: line - 4.5, width: 9, height: 9 });
}

/** Labels above the scale, each in the lowest row that has room for it; the lines to their places lie below all. */
function drawScalarLabels(marks, x, room) {
  const placed = marks.flatMap(({ name, kind, value }) => {
    const at = x(value);
    for (const y of [60, 46, 32, 18]) {
      const label = room.place(name, at, y, "middle", { class: `name ${kind}` });
      if (label) return [{ label, leader: draw("line", { class: "leader", x1: at, x2: at, y1: y + 2, y2: scalarFrame.line - 12 }) }];
    }
    return [];
  });
  return [...placed.map(({ leader }) => leader), ...placed.map(({ label }) => label)];
}
