// SPDX-License-Identifier: GPL-3.0-or-later
// The shape in space, turned with the mouse or the arrow keys, and its section with dimensions.

import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, Mesh,
  MeshLambertMaterial, PerspectiveCamera, Scene, WebGLRenderer,
} from "./three.min.js";

export const COLOURS = {
  dome: "#d9822b", cone: "#d9822b", surround: "#f0c05a", lens: "#3d7ab8", waveguide: "#3d7ab8",
  baffle: "#c9c4b8", cabinet: "#a9aeb3", edge: "#b9b29f", plate: "#8fa3b3", felt: "#6d7d5c", other: "#bfa5c9",
};
// Dark is where clay is added, light where it is taken; so that it can be read without colour.
export const CLAY = ["#ffe08a", "#e6cd93", "#b9b4aa", "#6f8fae", "#173f70"];
export const FIXED = "#f7f6f3";
const colourOf = (kind) => COLOURS[kind] ?? COLOURS.other;

export class Space {
  constructor(canvas) {
    this.canvas = canvas;
    this.azimuth = 0.55;
    this.elevation = 0.3;
    this.scene = new Scene();
    this.camera = new PerspectiveCamera(30, 1, 1, 20000);
    this.camera.up.set(0, 0, 1);
    try {
      this.renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
    } catch {
      canvas.replaceWith(Object.assign(document.createElement("p"), { className: "hint", textContent: "This browser draws nothing in space (WebGL is off); the section below says what there is." }));
      return;
    }
    this.scene.background = new Color("#ffffff");
    this.scene.add(new AmbientLight("#ffffff", 1.1));
    this.light = new DirectionalLight("#ffffff", 2.2);
    this.scene.add(this.light);
    canvas.addEventListener("pointerdown", (event) => {
      this.from = [event.clientX, event.clientY];
      canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!this.from) return;
      this.turn((event.clientX - this.from[0]) / 120, (event.clientY - this.from[1]) / 120);
      this.from = [event.clientX, event.clientY];
    });
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => (this.from = null));
    canvas.addEventListener("keydown", (event) => {
      const turn = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] }[event.key];
      if (!turn) return;
      event.preventDefault();
      this.turn(...turn);
    });
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  turn(sideways, up) {
    this.azimuth -= sideways;
    this.elevation = Math.min(Math.max(this.elevation + up, -1.45), 1.45);
    this.draw();
  }

  show(frame) {
    if (!this.renderer) return;
    const palette = frame.kinds.map((name) => new Color(colourOf(name)));
    this.build(frame.arrays.corners, Array.from(frame.arrays.kind.data, (kind) => palette[kind]));
  }

  // A surface with a number on each triangle: what is better added or taken, or what was.
  paint(frame) {
    if (!this.renderer) return;
    const steps = CLAY.map((one) => new Color(one)), fixed = new Color(FIXED);
    const colours = Array.from(frame.arrays.value.data, (value) => {
      if (Number.isNaN(value)) return fixed;
      const share = Math.min(Math.max((frame.better * value) / (frame.most || 1), -1), 1);
      const at = ((share + 1) / 2) * (steps.length - 1), below = Math.min(Math.floor(at), steps.length - 2);
      return steps[below].clone().lerp(steps[below + 1], at - below);
    });
    this.build(frame.arrays.corners, colours);
  }

  build(corners, colourOfEach) {
    const colours = new Float32Array(colourOfEach.length * 9);
    colourOfEach.forEach(({ r, g, b }, i) => {
      for (let j = 0; j < 3; j++) colours.set([r, g, b], i * 9 + j * 3);
    });
    let reach = 0;
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    corners.data.forEach((v, i) => { low[i % 3] = Math.min(low[i % 3], v); high[i % 3] = Math.max(high[i % 3], v); });
    this.middle = low.map((v, i) => (v + high[i]) / 2);
    reach = Math.hypot(...high.map((v, i) => v - low[i]));
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(corners.data, 3));
    geometry.setAttribute("color", new BufferAttribute(colours, 3));
    geometry.computeVertexNormals();
    if (this.mesh) {
      this.scene.remove(this.mesh);
      this.mesh.geometry.dispose();
    }
    this.mesh = new Mesh(geometry, new MeshLambertMaterial({ vertexColors: true, flatShading: true, side: DoubleSide }));
    this.reach = reach;
    this.scene.add(this.mesh);
    this.draw();
  }

  draw() {
    if (!this.renderer || !this.mesh) return;
    const width = this.canvas.clientWidth, height = this.canvas.clientHeight;
    const size = [width, height, devicePixelRatio];
    if (!size.every((each, i) => each === this.size?.[i])) { // what is drawn into is made anew by it
      this.size = size;
      this.renderer.setPixelRatio(devicePixelRatio);
      this.renderer.setSize(width, height, false);
      this.camera.aspect = width / height;
      this.camera.updateProjectionMatrix();
    }
    const far = this.reach * 2.05, flat = Math.cos(this.elevation);
    const [x, y, z] = this.middle;
    this.camera.position.set(x + far * flat * Math.cos(this.azimuth), y + far * flat * Math.sin(this.azimuth), z + far * Math.sin(this.elevation));
    this.camera.lookAt(x, y, z);
    this.light.position.copy(this.camera.position).sub({ x: 0, y: -this.reach * 0.5, z: -this.reach * 0.9 });
    this.renderer.render(this.scene, this.camera);
  }
}

// The vertical section, y = 0, with the main dimensions in mm; the held one dashed behind it.
export function drawSection(canvas, frame, held) {
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
    for (let i = 0; i < data.length; i += 4) {
      pen.moveTo(x(data[i]), y(data[i + 1]));
      pen.lineTo(x(data[i + 2]), y(data[i + 3]));
    }
    pen.stroke();
  };
  if (held) {
    pen.strokeStyle = "#a1460a";
    pen.lineWidth = 1;
    pen.setLineDash([4, 3]);
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
  upright(0, high[1], x(high[0]) + 18, 1);
  pen.textAlign = "left";
  pen.fillText("vertical section, y = 0, mm", 2, height - 6);
}
