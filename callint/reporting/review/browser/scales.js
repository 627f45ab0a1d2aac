// Scales of pictures: ticks, positions of breakpoints, labels that do not overlap.

/** About the width of a letter of a label, in units of the picture. */
const letterWidth = 6.3;

/** Round numbers that divide a range into a few steps. */
function ticksOf(low, high, most = 5) {
  const raw = (high - low) / most || 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((digit) => digit * power).find((size) => size >= raw * 0.999);
  const ticks = [];
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + step * 1e-9; n += 1) ticks.push(n * step || 0); // never -0
  return ticks;
}

/** Whether all breakpoints are numbers that only rise, or only fall, so that a picture can show them to scale. */
function isMonotonic(texts) {
  const values = texts.map(Number);
  const isSorted = (sign) => values.every((value, n) => n === 0 || sign * (value - values[n - 1]) > 0);
  return values.every(Number.isFinite) && (isSorted(1) || isSorted(-1));
}

/** Breakpoints of one axis as numbers; as indexes if some are not numbers, or if they go up and down. */
function positions(...axes) {
  return axes.every(isMonotonic) ? axes.map((texts) => texts.map(Number)) : axes.map((texts) => texts.map((_, n) => n));
}

/** A note on axes that the shown views cannot have to scale; "" if there are none. */
function spacingNote(table, sides, shownViews) {
  const uneven = sides.filter((side) => !shownViews.every((view) => isMonotonic(table.breakpoints(side, view))));
  const names = uneven.map((side) => table.data[side].signal).join(" and of ");
  return names ? ` The breakpoints of ${names} do not all rise: they stand evenly spaced, not to scale.` : "";
}

function scale(low, high, from, to) {
  const span = high - low || 1;
  return (value) => from + ((value - low) / span) * (to - from);
}

/** The lowest and the highest of some numbers; the others are left out. */
function spanOf(values) {
  let [low, high] = [Infinity, -Infinity];
  for (const value of values) {
    if (!Number.isFinite(value)) continue;
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  return low > high ? undefined : [low, high];
}

/** A span with some room at both ends. */
function widened([low, high], share = 0.06) {
  const margin = (high - low) * share || Math.abs(low) * 0.1 || 1;
  return [low - margin, high + margin];
}

/** Moves labels, each with its wanted `y`, apart until each has its room between top and bottom. */
function spread(labels, room, top, bottom) {
  const sorted = [...labels].sort((first, second) => first.y - second.y);
  let free = top;
  for (const label of sorted) {
    label.y = Math.max(label.y, free);
    free = label.y + room;
  }
  let end = bottom;
  for (const label of sorted.reverse()) {
    label.y = Math.min(label.y, end);
    end = label.y - room;
  }
  return labels;
}

/** The room that labels take: a label is placed only where it covers no other. */
class LabelRoom {
  constructor(width) {
    this.width = width;
    this.taken = [];
  }

  /** A label whose text ends, begins or is centred at x; undefined if there is no room for it. */
  place(text, x, y, anchor, attributes = {}) {
    const length = text.length * letterWidth;
    const wanted = x - length * { start: 0, middle: 0.5, end: 1 }[anchor];
    const left = Math.max(1, Math.min(wanted, this.width - length - 1));
    const box = [left - 3, y - 11, left + length + 3, y + 3];
    const collides = this.taken.some((other) => box[0] < other[2] && other[0] < box[2] && box[1] < other[3] && other[1] < box[3]);
    if (collides) return undefined;
    this.taken.push(box);
    const shift = left - wanted;
    return draw("text", { x: x + shift, y, "text-anchor": anchor, ...attributes }, text);
  }
}
