// SPDX-License-Identifier: GPL-3.0-or-later
// The shape in space, turned with the mouse or the arrow keys.

import { CLAY, FIXED, colourOf } from "./shape.js";
import {
  BufferAttribute, BufferGeometry, Color, Mesh, MeshLambertMaterial, PerspectiveCamera, Scene, WebGLRenderer,
} from "./three.min.js";

// While it turns a pixel of the page is one that is drawn; at rest four are, which is smoother than
// the context's own smoothing and costs nothing while it turns.
const AT_REST = 2, RESTS_MS = 180;
// Where frames still come late, a quarter of the pixels are drawn until it rests.
const COARSE = 0.5, LATE_MS = 24, LATE_FRAMES = 3;

// A triangle has one colour, found at its corners: light is worked out three times a triangle, not
// once a pixel, which by software is most of a frame. The lamp stands beside whoever looks.
const VERTEX = `
  flat out vec3 shade;
  void main() {
    gl_Position = projectionMatrix * (modelViewMatrix * vec4(position, 1.0));
    vec3 across = normalize(normalMatrix * normal);
    float light = 0.35 + 0.65 * abs(dot(across, vec3(0.2169, 0.3796, 0.8994)));
    shade = pow(color * light, vec3(1.0 / 2.2));
  }`;
const FRAGMENT = `
  flat in vec3 shade;
  void main() { gl_FragColor = vec4(shade, 1.0); }`;

function lit() {
  const material = new MeshLambertMaterial({ vertexColors: true });
  material.onBeforeCompile = (shader) => Object.assign(shader, { vertexShader: VERTEX, fragmentShader: FRAGMENT });
  return material;
}

export class Space {
  constructor(canvas) {
    this.canvas = canvas;
    this.azimuth = 0.55;
    this.elevation = 0.3;
    this.scene = new Scene();
    this.camera = new PerspectiveCamera(30, 1, 1, 20000);
    this.camera.up.set(0, 0, 1);
    try {
      this.renderer = new WebGLRenderer({ canvas, antialias: false });
    } catch {
      canvas.replaceWith(Object.assign(document.createElement("p"), { className: "hint", textContent: "This browser draws nothing in space (WebGL is off); the section below says what there is." }));
      return;
    }
    this.scene.background = new Color("#ffffff");
    this.material = lit();
    this.isHeld = false;
    this.asked = 0; // the frame that is asked for
    this.fineness = AT_REST;
    this.late = 0;
    this.frame = () => this.turned();
    canvas.addEventListener("pointerdown", (event) => {
      this.hold(event);
      canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!this.isHeld) return;
      this.turn((event.clientX - this.fromX) / 120, (event.clientY - this.fromY) / 120);
      this.hold(event);
    });
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => (this.isHeld = false));
    canvas.addEventListener("keydown", (event) => {
      const turn = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, -0.1], ArrowDown: [0, 0.1] }[event.key];
      if (!turn) return;
      event.preventDefault();
      this.turn(...turn);
    });
    new ResizeObserver(() => { this.fit(); this.draw(); }).observe(canvas);
    this.fit();
  }

  hold(event) {
    this.isHeld = true;
    this.fromX = event.clientX;
    this.fromY = event.clientY;
  }

  turn(sideways, up) {
    this.azimuth -= sideways;
    this.elevation = Math.min(Math.max(this.elevation + up, -1.45), 1.45);
    if (this.asked) return; // a mouse may tell more often than is drawn
    this.askedAt = performance.now();
    this.asked = requestAnimationFrame(this.frame);
  }

  // A frame of many: coarser where those before came late, and the whole picture after the last.
  turned() {
    this.asked = 0;
    const isGoingOn = this.fineness !== AT_REST;
    this.late = isGoingOn && performance.now() - this.askedAt > LATE_MS ? this.late + 1 : 0;
    if (!isGoingOn) this.fit(1);
    else if (this.late >= LATE_FRAMES) this.fit(COARSE);
    this.draw();
    clearTimeout(this.resting);
    this.resting = setTimeout(() => {
      this.resting = 0;
      this.fit(AT_REST);
      this.draw();
    }, RESTS_MS);
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
    geometry.computeVertexNormals(); // each triangle has its own corners, so these are its own
    if (this.mesh) {
      this.scene.remove(this.mesh);
      this.mesh.geometry.dispose();
    }
    this.mesh = new Mesh(geometry, this.material);
    this.reach = reach;
    this.scene.add(this.mesh);
    this.draw();
  }

  // What is drawn into is made anew by it, so it is asked for only when its size changes.
  fit(fineness = this.fineness) {
    const width = this.canvas.clientWidth, height = this.canvas.clientHeight;
    const drawn = [fineness, width, height, devicePixelRatio].join();
    this.fineness = fineness;
    if (drawn === this.fitted) return;
    this.fitted = drawn;
    this.renderer.setPixelRatio(devicePixelRatio * fineness);
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / Math.max(height, 1);
    this.camera.updateProjectionMatrix();
  }

  // One frame: where it is seen from, and nothing else; nothing is made, no layout is asked for.
  draw() {
    if (!this.mesh) return;
    const { camera, middle, reach } = this;
    const far = reach * 2.05, flat = Math.cos(this.elevation);
    camera.position.set(
      middle[0] + far * flat * Math.cos(this.azimuth),
      middle[1] + far * flat * Math.sin(this.azimuth),
      middle[2] + far * Math.sin(this.elevation),
    );
    camera.lookAt(middle[0], middle[1], middle[2]);
    this.renderer.render(this.scene, camera);
  }
}
