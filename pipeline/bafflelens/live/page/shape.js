// SPDX-License-Identifier: GPL-3.0-or-later
// What surfaces look like, and the section of a shape with its dimensions.

const COLOURS = {
  dome: "#d9822b", cone: "#d9822b", surround: "#f0c05a", lens: "#3d7ab8", waveguide: "#3d7ab8",
  baffle: "#c9c4b8", cabinet: "#a9aeb3", edge: "#b9b29f", plate: "#8fa3b3", felt: "#6d7d5c", other: "#bfa5c9",
};
// Dark is where clay is added, light where it is taken; so that it can be read without colour.
export const CLAY = ["#ffe08a", "#e6cd93", "#b9b4aa", "#6f8fae", "#173f70"];
export const FIXED = "#f7f6f3";
export const colourOf = (kind) => COLOURS[kind] ?? COLOURS.other;

// Segments [x, z, x, z, ...] joined to lines: dashes of short pieces would be none.
export function joined(data) {
  const place = (i) => `${data[i].toFixed(2)} ${data[i + 1].toFixed(2)}`;
  const ends = new Map(), used = new Set();
  for (let i = 0; i < data.length; i += 2) ends.set(place(i), [...(ends.get(place(i)) ?? []), i]);
  const lines = [];
  for (let i = 0; i < data.length; i += 4) {
    if (used.has(i)) continue;
    const line = [[data[i], data[i + 1]]];
    for (let from = i; from !== undefined; ) {
      used.add(from - (from % 4));
      const to = from % 4 ? from - 2 : from + 2;
      line.push([data[to], data[to + 1]]);
      from = ends.get(place(to)).find((end) => !used.has(end - (end % 4)));
    }
    lines.push(line);
  }
  return lines;
}

// The hollow around the axis, in mm: where it leaves the front plane, x = 0, above and below, and
// how deep it is; null where there is none, or where it is open to an edge.
const BEGINS_MM = 40, HOLLOW_MM = 1, PLANE_MM = 0.01;
export function hollow(data) {
  const points = [];
  for (let i = 0; i < data.length; i += 2) points.push([data[i], data[i + 1]]);
  const back = Math.min(...points.map(([x]) => x));
  const front = points.filter(([x]) => x > back / 2);
  const end = (way) => {
    const along = front.map(([x, z]) => [x, way * z]).filter(([, z]) => z >= 0).sort((a, b) => a[1] - b[1]);
    const first = along.findIndex(([x]) => x < -HOLLOW_MM);
    if (first < 0 || along[first][1] > BEGINS_MM) return undefined;
    const found = along.slice(first).find(([x]) => x >= -PLANE_MM);
    return found && way * found[1];
  };
  const high = end(1), low = end(-1);
  if (high === undefined || low === undefined) return null;
  return { low, high, deepest: Math.min(...front.filter(([, z]) => z >= low && z <= high).map(([x]) => x)) };
}

// The vertical section, y = 0, with the main dimensions in mm; the held one dashed behind it.
export function drawSection(canvas, frame, held, heldName) {
  const scale = devicePixelRatio;
  const width = canvas.clientWidth, height = canvas.clientHeight;
  canvas.width = width * scale;
  canvas.height = height * scale;
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  pen.font = "12px sans-serif";
  if (!frame) return;
  const lines = frame.arrays.side.data;
  let low = [Infinity, Infinity], high = [-Infinity, -Infinity];
  lines.forEach((v, i) => { low[i % 2] = Math.min(low[i % 2], v); high[i % 2] = Math.max(high[i % 2], v); });
  const room = 46;
  const factor = Math.min((width - 2 * room) / (high[0] - low[0]), (height - 2 * room) / (high[1] - low[1]));
  const middle = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
  const x = (v) => width / 2 + (v - middle[0]) * factor, y = (v) => height / 2 - (v - middle[1]) * factor;
  const draw = (data) => {
    pen.beginPath();
    for (const line of joined(data)) line.forEach(([a, b], i) => (i ? pen.lineTo(x(a), y(b)) : pen.moveTo(x(a), y(b))));
    pen.stroke();
  };
  if (held) {
    pen.strokeStyle = "#a1460a";
    pen.lineWidth = 1.3;
    pen.setLineDash([5, 3]);
    draw(held.arrays.side.data);
    pen.setLineDash([]);
  }
  pen.strokeStyle = "#1d2227";
  pen.lineWidth = 1.8;
  draw(lines);
  pen.lineWidth = 0.6;
  pen.strokeStyle = "#59626b";
  pen.setLineDash([9, 3, 2, 3]);
  pen.beginPath();
  pen.moveTo(x(low[0]) - 12, y(0));
  pen.lineTo(x(high[0]) + 26, y(0));
  pen.stroke();
  pen.setLineDash([]);
  const dimension = (from, to, at, upright) => {
    pen.beginPath();
    const ends = upright ? [[at, from], [at, to]] : [[from, at], [to, at]];
    pen.moveTo(...ends[0]);
    pen.lineTo(...ends[1]);
    for (const [ex, ey] of ends) {
      pen.moveTo(ex - 3, ey + 3);
      pen.lineTo(ex + 3, ey - 3);
    }
    pen.stroke();
  };
  pen.strokeStyle = pen.fillStyle = "#1d2227";
  pen.lineWidth = 0.8;
  pen.textAlign = "center";
  dimension(x(low[0]), x(high[0]), y(high[1]) - 16, false);
  pen.fillText((high[0] - low[0]).toFixed(0), width / 2, y(high[1]) - 21);
  const upright = (from, to, at, side) => {
    dimension(y(from), y(to), at, true);
    pen.save();
    pen.translate(at + side * 5 + (side > 0 ? 8 : 0), (y(from) + y(to)) / 2);
    pen.rotate(-Math.PI / 2);
    pen.fillText(Math.abs(to - from).toFixed(0), 0, 0);
    pen.restore();
  };
  upright(low[1], high[1], x(low[0]) - 16, -1);
  upright(0, high[1], x(high[0]) + 16, 1);
  const open = hollow(lines);
  if (open) {
    upright(open.low, open.high, x(high[0]) + 33, 1);
    const below = y(open.low) + 12;
    dimension(x(open.deepest), x(0), below, false);
    pen.textAlign = "right";
    pen.fillText((-open.deepest).toFixed(0), x(open.deepest) - 6, below + 4);
  }
  pen.textAlign = "left";
  pen.fillText("vertical section, y = 0, mm", 2, height - (held ? 20 : 6));
  if (held) pen.fillText(`brown dashes: ${heldName}`, 2, height - 6);
}
