// A map as surfaces that the reader turns: old values, new values, and the difference.

/** The picture, the room for labels around the surface, and the height of the surface relative to its width. */
const stage = { width: 380, height: 300, left: 46, right: 16, top: 8, bottom: 50, rise: 0.62 };
const turnKeys = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const shades = 8;

/** The direction of view, in radians; all surfaces of a table share it. */
class Viewpoint {
  constructor() {
    this.turn = -0.65;
    this.tilt = 0.5;
  }

  rotate(turn, tilt) {
    this.set(this.turn + turn, this.tilt + tilt);
  }

  set(turn, tilt) {
    this.turn = turn;
    this.tilt = Math.min(1.45, Math.max(0.15, tilt));
  }

  /** A point of the cube from -1 to 1, its height from 0 to 1, on the picture. */
  project(x, y, z) {
    const [sin, cos, high, flat] = [Math.sin(this.turn), Math.cos(this.turn), Math.cos(this.tilt), Math.sin(this.tilt)];
    const widest = (stage.width - stage.left - stage.right) / 2 / Math.SQRT2;
    const tallest = (stage.height - stage.top - stage.bottom) / 2 / (stage.rise * high + Math.SQRT2 * flat);
    const zoom = Math.min(widest, tallest);
    const up = (2 * z - 1) * stage.rise;
    return [
      (stage.left + stage.width - stage.right) / 2 + zoom * (x * cos - y * sin),
      (stage.top + stage.height - stage.bottom) / 2 - zoom * (up * high + (x * sin + y * cos) * flat),
    ];
  }

  /** The sides of the floor that are near the reader: -1 or 1 along x and along y. */
  get near() {
    return [Math.sin(this.turn) > 0 ? -1 : 1, Math.cos(this.turn) > 0 ? -1 : 1];
  }
}

/** 1 for positions that rise, -1 for positions that fall. */
function directionOf(places) {
  return places[0] <= places.at(-1) ? 1 : -1;
}

/**
 * One surface over a grid of points.
 *
 * `field` has `kind` ("old", "new" or "difference"), `name`, the text alternative, `values`, `nx`, `ny`, `xs` and
 * `ys`, positions from -1 to 1, `span`, the lowest and the highest number of the height scale, `axes`, names and
 * breakpoints by side, `classOf`, the class of a face by its corners, `pointOf`, the point of a cell, and `stems`,
 * the old values of points by their number.
 */
class Surface {
  constructor(field, viewpoint, chosen) {
    this.field = field;
    this.viewpoint = viewpoint;
    this.chosen = chosen;
    this.z = scale(...field.span, 0, 1);
    this.picture = draw("svg", {
      viewBox: `0 0 ${stage.width} ${stage.height}`, class: `surface ${field.kind}`, role: "img", "aria-label": field.name,
    });
    this.render();
  }

  at(point) {
    const { nx, xs, ys, values } = this.field;
    return this.viewpoint.project(xs[point % nx], ys[Math.floor(point / nx)], this.z(values[point]));
  }

  render() {
    const points = this.field.values.map((_, point) => this.at(point));
    this.mark = draw("g", { class: "chosen" });
    this.picture.replaceChildren(this.drawBox(), ...this.drawFaces(points), ...this.drawStems(points), this.drawTimes(points),
      this.mark, this.drawLabels());
    this.points = points;
    this.choose(this.chosen);
  }

  /**
   * The faces, the distant ones first: over a rising grid, their order depends on the quarter of the turn alone.
   *
   * Faces of no change that follow each other are one element, as they never cover each other.
   */
  drawFaces(points) {
    const { nx, ny, xs, ys, classOf } = this.field;
    const [nearX, nearY] = this.viewpoint.near.map((near, n) => near * directionOf([xs, ys][n]));
    const order = (length, near) => Array.from({ length: length - 1 }, (_, n) => (near > 0 ? n : length - 2 - n));
    const faces = [];
    let level;
    for (const y of order(ny, nearY)) {
      for (const x of order(nx, nearX)) {
        const corner = y * nx + x;
        const corners = [corner, corner + 1, corner + nx + 1, corner + nx];
        if (!corners.every((point) => Number.isFinite(points[point][0] + points[point][1]))) continue;
        const outline = corners.map((point) => points[point].map((place) => place.toFixed(1)).join(" "));
        const path = `M${outline.join("L")}Z`;
        const kind = classOf(corners);
        if (kind === "level" && level) level.setAttribute("d", level.getAttribute("d") + path);
        else faces.push(draw("path", { class: `face ${kind}`, d: path }));
        level = kind === "level" ? faces.at(-1) : undefined;
      }
    }
    return faces;
  }

  /** The floor, and the plane of no change. */
  drawBox() {
    const plane = (z, kind) => draw("polygon", {
      class: kind, points: [[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([x, y]) => this.viewpoint.project(x, y, z).map(Math.round).join(",")).join(" "),
    });
    const nought = this.z(0);
    return draw("g", {}, plane(0, "floor"), this.field.kind === "difference" && nought > 0 ? plane(nought, "nought") : "");
  }

  drawStems(points) {
    const { nx, xs, ys, stems } = this.field;
    return [...stems ?? []].filter(([point, value]) => Number.isFinite(value + points[point][1])).map(([point, value]) => {
      const [x1, y1] = this.viewpoint.project(xs[point % nx], ys[Math.floor(point / nx)], this.z(value));
      const [x2, y2] = points[point];
      return draw("g", { class: "stem" }, draw("line", { x1, y1, x2, y2 }), draw("circle", { cx: x2, cy: y2, r: 2.2 }));
    });
  }

  /** The logged time as discs; their area is the share of the time. */
  drawTimes(points) {
    const discs = [...this.field.times ?? []].filter(([point, share]) => share > 0 && Number.isFinite(points[point][1]));
    return draw("g", { class: "times" }, ...discs.map(([point, share]) =>
      draw("circle", { cx: points[point][0], cy: points[point][1], r: (1.2 + 8 * Math.sqrt(share)).toFixed(1) })));
  }

  /** A ring at the chosen cell, and its row and column. */
  choose(cell) {
    this.chosen = cell;
    const { nx, ny, pointOf } = this.field;
    const point = pointOf(cell);
    const place = this.points[point];
    if (!place || !Number.isFinite(place[0] + place[1])) {
      this.mark.replaceChildren();
      return;
    }
    const [column, row] = [point % nx, Math.floor(point / nx)];
    const along = (length, pointAt) => {
      const path = Array.from({ length }, (_, n) => this.points[pointAt(n)]).filter(([x, y]) => Number.isFinite(x + y));
      return draw("polyline", { class: "cut", points: path.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ") });
    };
    this.mark.replaceChildren(along(nx, (n) => row * nx + n), along(ny, (n) => n * nx + column),
      draw("circle", { class: "here", cx: place[0], cy: place[1], r: 6 }));
  }

  /** The height scale at the left corner, and the axes along the near edges: all beside the surface. */
  drawLabels() {
    const group = draw("g", { class: "scale" });
    const room = new LabelRoom(stage.width);
    const { viewpoint, field } = this;
    const corners = [[-1, -1], [1, -1], [1, 1], [-1, 1]];
    const [left] = corners.map((corner) => ({ corner, place: viewpoint.project(...corner, 0) })).sort((a, b) => a.place[0] - b.place[0]);
    const [x, bottom] = left.place;
    group.append(draw("line", { class: "height", x1: x, x2: x, y1: bottom, y2: viewpoint.project(...left.corner, 1)[1] }));
    for (const tick of ticksOf(...field.span, 4)) {
      const [, y] = viewpoint.project(...left.corner, this.z(tick));
      const text = (field.kind === "difference" ? signedNumbers : numbers).format(tick);
      const label = room.place(text, x - 7, y + 3.5, "end");
      if (label) group.append(label, draw("line", { class: "tick", x1: x - 4, x2: x, y1: y, y2: y }));
    }
    group.append(...this.drawAxes(room));
    return group;
  }

  /** The ends and the names of both axes; an arrow leads from a name to its edge. */
  drawAxes(room) {
    const [nearX, nearY] = this.viewpoint.near;
    const edges = [
      { axis: this.field.axes.x, ends: [-1, 1].map((end) => [end * directionOf(this.field.xs), nearY]) },
      { axis: this.field.axes.y, ends: [-1, 1].map((end) => [nearX, end * directionOf(this.field.ys)]) },
    ];
    for (const edge of edges) {
      edge.places = edge.ends.map((corner) => this.viewpoint.project(...corner, 0));
      edge.middle = (edge.places[0][0] + edge.places[1][0]) / 2;
    }
    edges.sort((first, second) => first.middle - second.middle);
    const labels = edges.flatMap(({ axis, places, middle }, n) => {
      const anchor = n ? "start" : "end";
      // Inwards a little, so that the ends of both axes at the common corner stand apart.
      return [axis.first, axis.last].map((text, end) => {
        const [from, to] = [places[end], places[1 - end]];
        const [x, y] = [0, 1].map((part) => from[part] + (to[part] - from[part]) * 0.1);
        return room.place(text, x + (Math.abs(middle - x) > 200 ? 0 : n ? 5 : -5), y + 13, anchor);
      });
    });
    const bottom = stage.height;
    const texts = [`↖ ${edges[0].axis.name}`, `${edges[1].axis.name} ↗`];
    const isOneRow = (texts[0].length + texts[1].length + 3) * letterWidth < stage.width;
    labels.push(room.place(texts[0], 2, isOneRow ? bottom - 4 : bottom - 19, "start", { class: "axis" }),
      room.place(texts[1], stage.width - 2, bottom - 4, "end", { class: "axis" }));
    return labels.filter(Boolean);
  }
}

/** The surfaces of a table in one frame that turns them together. */
class Turntable {
  constructor(title, fields, chosen) {
    this.viewpoint = new Viewpoint();
    this.surfaces = fields.map((field) => new Surface(field, this.viewpoint, chosen));
    this.element = make("div", {
      class: "turntable", tabindex: 0, role: "group", "aria-label": `Surfaces of ${title}; the arrow keys turn them`,
      onkeydown: (event) => this.key(event), onpointerdown: (event) => this.startDrag(event),
      onpointermove: (event) => this.drag(event), onpointerup: () => this.endDrag(), onpointercancel: () => this.endDrag(),
    }, ...this.surfaces.map(({ picture, field }) => make("div", { class: `stage ${field.kind}` }, make("p", {}, field.title), picture)));
    const button = (word, sign, step) => make("button", {
      type: "button", "aria-label": `Turn ${word}`, title: `Turn ${word}`, onclick: () => this.rotate(...step),
    }, sign);
    this.buttons = make("div", { class: "turns" }, button("left", "↺", [-1, 0]), button("right", "↻", [1, 0]));
  }

  render() {
    for (const surface of this.surfaces) surface.render();
  }

  rotate(turn, tilt) {
    this.viewpoint.rotate(turn * (Math.PI / 12), tilt * 0.12);
    this.render();
  }

  choose(cell) {
    for (const surface of this.surfaces) surface.choose(cell);
  }

  key(event) {
    const step = turnKeys[event.key];
    if (!step || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.rotate(...step);
  }

  startDrag(event) {
    this.held = { x: event.clientX, y: event.clientY, turn: this.viewpoint.turn, tilt: this.viewpoint.tilt };
    this.element.setPointerCapture(event.pointerId);
  }

  drag(event) {
    if (!this.held) return;
    const { x, y, turn, tilt } = this.held;
    this.viewpoint.set(turn + (event.clientX - x) * 0.01, tilt + (event.clientY - y) * 0.008);
    this.frameRequest ??= requestAnimationFrame(() => {
      this.frameRequest = undefined;
      this.render();
    });
  }

  endDrag() {
    this.held = undefined;
  }
}
