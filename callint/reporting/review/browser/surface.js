// A map as a surface that the reader can turn.

const projection = { width: 380, height: 300, zoom: 98, rise: 0.72 };
const turnKeys = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

/** The new values of a map as a surface, with a stem from each old value that differs. */
class Surface {
  constructor(table, chosen) {
    this.table = table;
    this.chosen = chosen;
    this.turn = -0.65;
    this.tilt = 0.5;
    this.picture = draw("svg", {
      viewBox: `0 0 ${projection.width} ${projection.height}`, class: "surface", role: "img",
      "aria-label": `${table.title}: new values as a surface, with stems from the old values of changed cells`,
    });
    this.element = make("div", {
      class: "turntable", tabindex: 0, role: "group",
      "aria-label": `Surface of ${table.title}; the arrow keys turn it`,
      onkeydown: (event) => this.key(event), onpointerdown: (event) => this.startDrag(event),
      onpointermove: (event) => this.drag(event), onpointerup: () => this.endDrag(), onpointercancel: () => this.endDrag(),
    }, this.picture);
    const button = (word, sign, step) => make("button", {
      type: "button", "aria-label": `Turn ${word}`, title: `Turn ${word}`, onclick: () => this.rotate(...step),
    }, sign);
    this.buttons = make("div", { class: "turns" }, button("left", "↺", [-1, 0]), button("right", "↻", [1, 0]));
    this.measure();
    this.render();
  }

  measure() {
    const { nx, ny } = this.table.data;
    const [low, high] = this.table.span;
    const along = (side, length) => {
      const [places] = positions(this.table.breakpoints(side).slice(0, length));
      return places.map(scale(places[0], places.at(-1), -1, 1));
    };
    this.xs = along("x", nx);
    this.ys = along("y", ny);
    this.z = scale(low, high, 0, 1);
  }

  /** The position of a point on the picture, and its distance. */
  project(x, y, z) {
    const [sin, cos] = [Math.sin(this.turn), Math.cos(this.turn)];
    const [across, depth] = [x * cos - y * sin, x * sin + y * cos];
    const up = (z - 0.5) * projection.rise * 2;
    return [
      projection.width / 2 + projection.zoom * across,
      projection.height / 2 - 8 - projection.zoom * (up * Math.cos(this.tilt) + depth * Math.sin(this.tilt)),
      depth * Math.cos(this.tilt) - up * Math.sin(this.tilt),
    ];
  }

  render() {
    const { table } = this;
    const { nx, ny } = table.data;
    const [old, values] = [table.numbers("old"), table.numbers("new")];
    const points = values.map((value, cell) => {
      const [x, y] = table.at(cell);
      return this.project(this.xs[x], this.ys[y], this.z(value));
    });
    const faces = [];
    for (let y = 0; y + 1 < ny; y += 1) {
      for (let x = 0; x + 1 < nx; x += 1) {
        const corners = [table.cell(x, y), table.cell(x + 1, y), table.cell(x + 1, y + 1), table.cell(x, y + 1)];
        if (corners.every((cell) => Number.isFinite(points[cell][0] + points[cell][1]))) faces.push(this.face(corners, points, values));
      }
    }
    // Distant faces are painted first.
    faces.sort((a, b) => b.depth - a.depth);
    const stems = table.changed.filter((cell) => Number.isFinite(old[cell] + points[cell][1]));
    this.picture.replaceChildren(
      this.floor(), ...faces.map((face) => face.polygon),
      ...stems.map((cell) => this.stem(cell, old[cell], points[cell])),
      ...this.drawChosen(points[this.chosen]), this.drawAxisNames(),
    );
  }

  face(corners, points, values) {
    const [low, high] = this.table.span;
    const mean = corners.reduce((sum, cell) => sum + values[cell], 0) / 4;
    const shade = high === low ? 0 : Math.min(7, Math.floor((8 * (mean - low)) / (high - low)));
    const moved = corners.some((cell) => this.table.isChanged(cell));
    const path = corners.map((cell) => `${points[cell][0].toFixed(1)},${points[cell][1].toFixed(1)}`).join(" ");
    const depth = corners.reduce((sum, cell) => sum + points[cell][2], 0);
    return { depth, polygon: draw("polygon", { class: `s${shade}${moved ? " moved" : ""}`, points: path }) };
  }

  stem(cell, value, [x, y]) {
    const [column, row] = this.table.at(cell);
    const [fromX, fromY] = this.project(this.xs[column], this.ys[row], this.z(value));
    return draw("g", { class: "stem" }, draw("line", { x1: fromX, y1: fromY, x2: x, y2: y }),
      draw("circle", { cx: x, cy: y, r: 2.6 }));
  }

  drawChosen(point) {
    return Number.isFinite(point[0] + point[1]) ? [draw("circle", { class: "here", cx: point[0], cy: point[1], r: 6 })] : [];
  }

  floor() {
    const corners = [[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([x, y]) => this.project(x, y, 0).slice(0, 2));
    return draw("polygon", { class: "floor", points: corners.map((point) => point.map(Math.round).join(",")).join(" ") });
  }

  /** The names and ends of the axes along the two near edges of the floor. */
  drawAxisNames() {
    const group = draw("g", { class: "scale" });
    const nearY = Math.cos(this.turn) > 0 ? -1 : 1;
    const nearX = Math.sin(this.turn) > 0 ? -1 : 1;
    const write = (text, x, y, factor) => {
      const [left, top] = this.project(Math.abs(x) === 1 ? x * factor : x, Math.abs(y) === 1 ? y * factor : y, 0);
      const anchor = left < projection.width / 2 - 20 ? "end" : left > projection.width / 2 + 20 ? "start" : "middle";
      const room = text.length * 6.6 * { start: 1, middle: 0.5, end: 0 }[anchor];
      group.append(draw("text", { x: Math.min(left, projection.width - room), y: top + 8, "text-anchor": anchor }, text));
    };
    const { x, y } = this.table.data;
    const ends = (side) => [this.table.breakpoints(side)[0], this.table.breakpoints(side).at(-1)];
    write(x.signal, 0, nearY, 1.3);
    ends("x").forEach((text, n) => write(text, n ? 0.84 : -0.84, nearY, 1.09));
    write(y.signal, nearX, 0, 1.3);
    ends("y").forEach((text, n) => write(text, nearX, n ? 0.84 : -0.84, 1.09));
    return group;
  }

  rotate(turn, tilt) {
    this.turn += turn * (Math.PI / 12);
    this.tilt = Math.min(1.45, Math.max(0.1, this.tilt + tilt * 0.12));
    this.render();
  }

  choose(cell) {
    this.chosen = cell;
    this.render();
  }

  key(event) {
    const step = turnKeys[event.key];
    if (!step || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.rotate(...step);
  }

  startDrag(event) {
    this.held = { x: event.clientX, y: event.clientY, turn: this.turn, tilt: this.tilt };
    this.element.setPointerCapture(event.pointerId);
  }

  drag(event) {
    if (!this.held) return;
    this.turn = this.held.turn + (event.clientX - this.held.x) * 0.01;
    this.tilt = Math.min(1.45, Math.max(0.1, this.held.tilt + (event.clientY - this.held.y) * 0.008));
    this.frameRequest ??= requestAnimationFrame(() => {
      this.frameRequest = undefined;
      this.render();
    });
  }

  endDrag() {
    this.held = undefined;
  }
}
