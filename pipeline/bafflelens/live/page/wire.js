// SPDX-License-Identifier: GPL-3.0-or-later
// Frames of the server: the length of a header, the header in JSON, 32-bit floats.

export function parsed(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const start = 4 + length;
  const arrays = {};
  for (const [name, { at, shape }] of Object.entries(header.arrays)) {
    const size = shape.reduce((a, b) => a * b, 1);
    arrays[name] = { data: new Float32Array(buffer, start + 4 * at, size), shape };
  }
  return { ...header, arrays };
}

// A socket that comes back by itself, and tells whether it is open.
export class Wire {
  constructor(onMessage, onChange) {
    this.onMessage = onMessage;
    this.onChange = onChange;
    this.connect();
  }

  connect() {
    const address = new URL("socket", location.href);
    address.protocol = "ws:";
    this.socket = new WebSocket(address);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => this.onChange(true);
    this.socket.onmessage = (event) =>
      this.onMessage(typeof event.data === "string" ? JSON.parse(event.data) : parsed(event.data));
    this.socket.onclose = () => {
      this.onChange(false);
      setTimeout(() => this.connect(), 700);
    };
  }

  send(message) {
    if (this.socket.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }
}
