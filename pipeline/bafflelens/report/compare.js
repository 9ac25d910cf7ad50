"use strict";
// Draws the candidates that are ticked side by side: maps, a map of the difference of two, and
// curves whose values are read off with the mouse or with the arrow keys.
(function () {
  var source = document.getElementById("compare-data");
  if (!source) { return; }
  var data = JSON.parse(source.textContent);
  var root = document.getElementById("side-by-side");
  var boxes = Array.from(root.querySelectorAll('input[type="checkbox"]'));
  var first = document.getElementById("less-from"), second = document.getElementById("less-what");
  var maps = document.getElementById("compared-maps");
  var panels = document.getElementById("compared-curves");
  var spoken = document.getElementById("compare-values"), notice = document.getElementById("compare-notice");
  var planes = ["vertical", "horizontal"];
  var low = Math.log(data.frequency[0]), high = Math.log(data.frequency[1]);
  if (high - low < 0.7) { low -= 0.35; high += 0.35; }
  var at = Math.exp((low + high) / 2);  // the frequency of the common cursor
  var chosen = [], drawn = [], serial = 0;

  // ------------------------------------------------------------------------------- data

  function bytes(text) {
    var raw = atob(text), out = new Uint8Array(raw.length);
    for (var i = 0; i < raw.length; i += 1) { out[i] = raw.charCodeAt(i); }
    return out;
  }
  function mapOf(candidate, plane) {
    candidate.unpacked = candidate.unpacked || {};
    if (!candidate.unpacked[plane]) {
      candidate.unpacked[plane] = Float32Array.from(bytes(candidate.maps[plane]), function (v) {
        return v === data.map.none ? NaN : data.map.floor + v * data.map.step;
      });
    }
    return candidate.unpacked[plane];
  }
  function curveOf(candidate, key) {
    if (!(key in candidate.curves)) { return null; }
    candidate.lines = candidate.lines || {};
    if (!candidate.lines[key]) {
      var raw = bytes(candidate.curves[key]), view = new DataView(raw.buffer), out = [];
      for (var i = 0; i < raw.length; i += 2) {
        var v = view.getInt16(i, true);
        out.push(v === data.curve.none ? NaN : v * data.curve.step);
      }
      candidate.lines[key] = out;
    }
    return candidate.lines[key];
  }
  // Where a frequency lies between its neighbours: [number of the lower, share of the upper].
  function place(grid, frequency) {
    var last = grid.length - 1;
    if (frequency < grid[0] * 0.9999 || frequency > grid[last] * 1.0001) { return null; }
    var i = 0, j = last;
    while (j - i > 1) {
      var middle = (i + j) >> 1;
      if (grid[middle] <= frequency) { i = middle; } else { j = middle; }
    }
    if (last === 0) { return [0, 0]; }
    return [i, Math.min(1, Math.max(0, Math.log(frequency / grid[i]) / Math.log(grid[i + 1] / grid[i])))];
  }
  function between(a, b, share) {
    if (share === 0) { return a; }
    return share === 1 ? b : a + share * (b - a);
  }
  function curveAt(candidate, key, frequency) {
    var line = curveOf(candidate, key), where = place(data.grids[candidate.grid], frequency);
    if (!line || !where) { return NaN; }
    return between(line[where[0]], line[Math.min(where[0] + 1, line.length - 1)], where[1]);
  }
  function levelAt(candidate, plane, frequency, angle) {
    var where = place(data.grids[candidate.grid], frequency), n = data.angle.length;
    if (!where) { return NaN; }
    var step = (data.angle[n - 1] - data.angle[0]) / (n - 1);
    var up = (angle - data.angle[0]) / step, k = Math.max(0, Math.min(n - 2, Math.floor(up)));
    var values = mapOf(candidate, plane), i = where[0] * n;
    var j = Math.min(where[0] + 1, data.grids[candidate.grid].length - 1) * n;
    return between(
      between(values[i + k], values[i + k + 1], up - k),
      between(values[j + k], values[j + k + 1], up - k), where[1]);
  }

  // ------------------------------------------------------------------------------ words

  function signed(value, digits) {
    if (!isFinite(value)) { return "–"; }
    var text = value.toFixed(digits);
    if (parseFloat(text) === 0) { text = text.replace("-", ""); }
    return text.replace("-", "−");
  }
  function kilohertz(frequency) {
    return frequency < 995 ? frequency.toFixed(0) + " Hz" : (frequency / 1000).toFixed(2) + " kHz";
  }
  function styleOf(number) { return data.series[number % data.series.length]; }

  // ---------------------------------------------------------------------------- drawing

  function make(name, attributes, parent, text) {
    var node = document.createElementNS("http:/" + "/www.w3.org/2000/svg", name);
    Object.keys(attributes).forEach(function (key) { node.setAttribute(key, attributes[key]); });
    if (text !== undefined) { node.textContent = text; }
    if (parent) { parent.appendChild(node); }
    return node;
  }
  function element(name, parent, text, className) {
    var node = document.createElement(name);
    if (text !== undefined) { node.textContent = text; }
    if (className) { node.className = className; }
    if (parent) { parent.appendChild(node); }
    return node;
  }
  function frame(parent, width, height, left, label) {
    var f = { left: left, top: 8, width: width, height: height };
    f.svg = make("svg", {
      viewBox: "0 0 " + (left + width + 12) + " " + (height + 46), role: "application",
      tabindex: "0", "aria-label": label, class: "readable"
    }, parent);
    f.x = function (frequency) {
      return f.left + (Math.log(frequency) - low) / (high - low) * f.width;
    };
    f.frequency = function (x) {
      return Math.exp(low + Math.min(1, Math.max(0, (x - f.left) / f.width)) * (high - low));
    };
    return f;
  }
  function frequencyAxis(f) {
    var bottom = f.top + f.height;
    for (var power = 10; power < 1e6; power *= 10) {
      for (var digit = 1; digit < 10; digit += 1) {
        var value = power * digit;
        if (Math.log(value) < low - 0.01 || Math.log(value) > high + 0.01) { continue; }
        var x = f.x(value), named = digit === 1 || digit === 2 || digit === 5;
        make("line", { x1: x, x2: x, y1: bottom, y2: bottom + (named ? 5 : 3), class: "tick" }, f.svg);
        if (named) {
          make("text", { x: x, y: bottom + 17, class: "middle" }, f.svg, String(value / 1000));
        }
      }
    }
    make("text", { x: f.left + f.width / 2, y: bottom + 33, class: "middle" }, f.svg, "Frequency in kHz");
  }
  function cursorIn(f) {
    return make("line", { y1: f.top, y2: f.top + f.height, class: "cursor" }, f.svg);
  }
  function pointerIn(f, event) {
    var box = f.svg.getBoundingClientRect(), scale = f.svg.viewBox.baseVal.width / box.width;
    return { x: (event.clientX - box.left) * scale, y: (event.clientY - box.top) * scale };
  }
  function stepped(key, fine) {  // in twenty-fourths or thirds of an octave
    var step = Math.pow(2, fine ? 1 / 24 : 1 / 3);
    return { ArrowRight: at * step, ArrowLeft: at / step, Home: Math.exp(low), End: Math.exp(high) }[key];
  }
  function moveTo(frequency) {
    at = Math.min(Math.exp(high), Math.max(Math.exp(low), frequency));
    drawn.forEach(function (view) { view.read(); });
  }

  function colourOf(scale, value) {
    var number = 0;
    while (number < scale.steps.length && value >= scale.steps[number]) { number += 1; }
    return scale.colours[number];
  }
  function channels(hex) {
    return [1, 3, 5].map(function (i) { return parseInt(hex.slice(i, i + 2), 16); });
  }
  function picture(f, value, scale, line) {
    var w = f.width * 2, h = f.height * 2, values = new Float32Array(w * h);
    var canvas = document.createElement("canvas");
    canvas.width = w; canvas.height = h;
    var context = canvas.getContext("2d"), image = context.createImageData(w, h);
    var palette = scale.colours.map(channels);
    for (var x = 0; x < w; x += 1) {
      var frequency = Math.exp(low + (x + 0.5) / w * (high - low));
      for (var y = 0; y < h; y += 1) { values[y * w + x] = value(frequency, 180 - (y + 0.5) / h * 360); }
    }
    function paint(i, colour) {
      image.data[4 * i] = colour[0]; image.data[4 * i + 1] = colour[1];
      image.data[4 * i + 2] = colour[2]; image.data[4 * i + 3] = 255;
    }
    for (var i = 0; i < w * h; i += 1) {
      if (isNaN(values[i])) {
        paint(i, (i % w + Math.floor(i / w)) % 12 < 2 ? [169, 173, 166] : [232, 233, 229]);
        continue;
      }
      var number = 0;
      while (number < scale.steps.length && values[i] >= scale.steps[number]) { number += 1; }
      paint(i, palette[number]);
    }
    if (line !== null) {
      var crossings = [];
      for (var k = 0; k < w * (h - 1); k += 1) {
        var inside = values[k] >= line, known = !isNaN(values[k]);
        var right = k % w < w - 1 && !isNaN(values[k + 1]) && (values[k + 1] >= line) !== inside;
        var below = !isNaN(values[k + w]) && (values[k + w] >= line) !== inside;
        if (known && (right || below)) { crossings.push(k); }
      }
      [[3, [255, 255, 255]], [1, [0, 0, 0]]].forEach(function (pen) {
        crossings.forEach(function (k) {
          for (var dx = -pen[0]; dx <= pen[0]; dx += 1) {
            for (var dy = -pen[0]; dy <= pen[0]; dy += 1) {
              var px = k % w + dx, py = Math.floor(k / w) + dy;
              if (px >= 0 && px < w && py >= 0 && py < h && !isNaN(values[py * w + px])) {
                paint(py * w + px, pen[1]);
              }
            }
          }
        });
      });
    }
    context.putImageData(image, 0, 0);
    return canvas.toDataURL("image/png");
  }

  function drawMap(parent, title, plane, value, scale, line, unit) {
    var holder = element("figure", parent);
    element("figcaption", holder, title, "map-title");
    var f = frame(holder, 300, 216, 40,
      title + ", level over frequency and angle. Arrow keys move the cursor, with Shift in fine steps.");
    make("image", {
      x: f.left, y: f.top, width: f.width, height: f.height, preserveAspectRatio: "none",
      href: picture(f, value, scale, line)
    }, f.svg);
    function y(angle) { return f.top + (180 - angle) / 360 * f.height; }
    data.marks.forEach(function (mark) {
      if (mark.plane === plane) {
        make("line", { x1: f.left, x2: f.left + f.width, y1: y(mark.angle), y2: y(mark.angle), class: "under" }, f.svg);
        make("line", { x1: f.left, x2: f.left + f.width, y1: y(mark.angle), y2: y(mark.angle), class: "mark" }, f.svg);
      }
    });
    for (var angle = -180; angle <= 180; angle += 60) {
      make("line", { x1: f.left - 4, x2: f.left, y1: y(angle), y2: y(angle), class: "tick" }, f.svg);
      make("text", { x: f.left - 7, y: y(angle) + 4, class: "end" }, f.svg, (angle > 0 ? "+" : "") + signed(angle, 0));
    }
    make("rect", { x: f.left, y: f.top, width: f.width, height: f.height, class: "box" }, f.svg);
    frequencyAxis(f);
    var cursor = cursorIn(f), across = make("line", { x1: f.left, x2: f.left + f.width, class: "cursor" }, f.svg);
    var output = element("output", holder, "", "reading");
    var view = { angle: 0, read: function () {
      cursor.setAttribute("x1", f.x(at)); cursor.setAttribute("x2", f.x(at));
      across.setAttribute("y1", y(view.angle)); across.setAttribute("y2", y(view.angle));
      var found = value(at, view.angle);
      output.textContent = kilohertz(at) + ", " + (view.angle > 0 ? "+" : "") + signed(view.angle, 0) + "°: " +
        (isNaN(found) ? "not solved" : signed(found, 1) + " dB" + unit);
    } };
    f.svg.addEventListener("pointermove", function (event) {
      var p = pointerIn(f, event);
      view.angle = Math.round(Math.min(180, Math.max(-180, 180 - (p.y - f.top) / f.height * 360)));
      moveTo(f.frequency(p.x));
    });
    f.svg.addEventListener("keydown", function (event) {
      var to = stepped(event.key, event.shiftKey), size = event.shiftKey ? 1 : 5;
      var turn = { ArrowUp: size, ArrowDown: -size }[event.key];
      if (!to && !turn) { return; }
      event.preventDefault();
      if (turn) { view.angle = Math.min(180, Math.max(-180, view.angle + turn)); }
      moveTo(to || at);
      spoken.textContent = title + ", " + output.textContent;
    });
    drawn.push(view);
  }

  function key(parent, scale, text) {
    var holder = element("p", parent, "", "colour-key");
    element("span", holder, text + " ");
    scale.colours.forEach(function (colour, number) {
      var swatch = element("i", holder);
      swatch.style.background = colour;
      if (number < scale.steps.length) {
        element("small", holder, (scale.steps[number] > 0 ? "+" : "") + signed(scale.steps[number], 0));
      }
    });
  }

  function drawCurves(panel) {
    var decades = (high - low) / Math.LN10, slope = 25, width = 330, span = panel.high - panel.low;
    // A decade is as long as 25 dB or 50 dB are high (IEC 60263).
    if (panel.is_level && width / decades * span / slope > 260) { slope = 50; }
    var height = panel.is_level ? Math.round(width / decades * span / slope) : 180;
    var holder = element("figure", panels);
    element("figcaption", holder, panel.title, "map-title");
    var f = frame(holder, width, height, 40,
      panel.title + " over frequency. Arrow keys move the cursor, with Shift in fine steps.");
    function y(value) { return f.top + (panel.high - value) / span * f.height; }
    var clip = "clip-" + (serial += 1);
    make("rect", { x: f.left, y: f.top, width: f.width, height: f.height }, make("clipPath", { id: clip }, f.svg));
    for (var level = panel.low; level <= panel.high + 1e-6; level += panel.step) {
      make("line", { x1: f.left, x2: f.left + f.width, y1: y(level), y2: y(level), class: "grid" }, f.svg);
      make("text", { x: f.left - 6, y: y(level) + 4, class: "end" }, f.svg, signed(level, 0));
    }
    for (var power = 10; power < 1e6; power *= 10) {
      [1, 2, 5].forEach(function (digit) {
        var x = f.x(power * digit);
        if (x >= f.left && x <= f.left + f.width) {
          make("line", { x1: x, x2: x, y1: f.top, y2: f.top + f.height, class: "grid" }, f.svg);
        }
      });
    }
    var group = make("g", { "clip-path": "url(#" + clip + ")" }, f.svg);
    function path(points, colour, dash, width) {
      var text = "", pen = false;
      points.forEach(function (point) {
        if (isFinite(point[1])) {
          text += (pen ? "L" : "M") + f.x(point[0]).toFixed(1) + " " + y(point[1]).toFixed(1);
          // A point without neighbours would not show.
          if (!pen) { text += "h0.01"; }
        }
        pen = isFinite(point[1]);
      });
      make("path", { d: text, stroke: colour, "stroke-dasharray": dash, "stroke-width": width, fill: "none",
        "stroke-linecap": "round" }, group);
    }
    if (panel.target) { path(panel.target, data.target_colour, "1 4", 2); }
    chosen.forEach(function (candidate, number) {
      var line = curveOf(candidate, panel.key), look = styleOf(number);
      if (line) {
        path(data.grids[candidate.grid].map(function (x, i) { return [x, line[i]]; }), look.colour, look.dash, 2);
      }
    });
    var scored = [f.x(data.scored[0]), f.x(data.scored[1])];
    make("line", { x1: Math.max(f.left, scored[0]), x2: Math.min(f.left + f.width, scored[1]),
      y1: f.top + f.height - 2, y2: f.top + f.height - 2, class: "scored" }, f.svg);
    make("rect", { x: f.left, y: f.top, width: f.width, height: f.height, class: "box" }, f.svg);
    frequencyAxis(f);
    var cursor = cursorIn(f), legend = element("table", holder, undefined, "reading");
    var head = element("caption", legend), rows = chosen.map(function (candidate, number) {
      var row = element("tr", legend), cell = element("td", row), look = styleOf(number);
      var swatch = make("svg", { viewBox: "0 0 34 8", class: "swatch-line", "aria-hidden": "true" }, cell);
      make("line", { x1: 1, x2: 33, y1: 4, y2: 4, stroke: look.colour, "stroke-dasharray": look.dash, "stroke-width": 2.4 }, swatch);
      element("th", row, candidate.name).scope = "row";
      return element("td", row, "", "value");
    });
    var dot = chosen.map(function (_, number) {
      return make("circle", { r: 3.4, fill: styleOf(number).colour, stroke: "white", "clip-path": "url(#" + clip + ")" }, f.svg);
    });
    var view = { read: function () {
      cursor.setAttribute("x1", f.x(at)); cursor.setAttribute("x2", f.x(at));
      head.textContent = kilohertz(at) + ", " + panel.unit;
      chosen.forEach(function (candidate, number) {
        var value = curveAt(candidate, panel.key, at);
        rows[number].textContent = signed(value, panel.is_level ? 1 : 0);
        dot[number].setAttribute("cx", f.x(at));
        dot[number].setAttribute("cy", isFinite(value) ? y(value) : -99);
      });
    } };
    f.svg.addEventListener("pointermove", function (event) { moveTo(f.frequency(pointerIn(f, event).x)); });
    f.svg.addEventListener("keydown", function (event) {
      var to = stepped(event.key, event.shiftKey);
      if (!to) { return; }
      event.preventDefault();
      moveTo(to);
      spoken.textContent = panel.title + ", " + head.textContent + ": " + chosen.map(function (candidate, number) {
        return candidate.name + " " + rows[number].textContent;
      }).join("; ");
    });
    if (panel.target) {
      element("p", holder, "Dotted: target, " + panel.target_word, "caption");
    }
    drawn.push(view);
  }

  // ------------------------------------------------------------------------- the choice

  function fill(select, wanted) {
    select.textContent = "";
    chosen.forEach(function (candidate) { element("option", select, candidate.name).value = candidate.id; });
    var ids = chosen.map(function (candidate) { return candidate.id; });
    select.value = ids.indexOf(wanted) >= 0 ? wanted : "";
    select.disabled = chosen.length < 2;
  }
  function choose() {
    var before = [first.value, second.value];
    chosen = boxes.filter(function (box) { return box.checked; }).map(function (box) { return data.candidates[box.value]; });
    fill(first, before[0]);
    fill(second, before[1]);
    function free(other) {
      var left = chosen.filter(function (candidate) { return candidate.id !== other; });
      return left.length ? left[0].id : "";
    }
    if (!first.value) { first.value = free(second.value || (chosen.length > 1 ? chosen[chosen.length - 1].id : "")); }
    if (!second.value) {
      var last = chosen[chosen.length - 1];
      second.value = last && last.id !== first.value ? last.id : free(first.value);
    }
    draw();
  }
  function draw() {
    drawn = [];
    maps.textContent = "";
    panels.textContent = "";
    var withMaps = chosen.filter(function (candidate) { return candidate.maps; });
    planes.forEach(function (plane) {
      var row = element("div", maps, undefined, "maps-in-a-row");
      withMaps.forEach(function (candidate) {
        drawMap(row, candidate.name + ", " + plane, plane, function (frequency, angle) {
          return levelAt(candidate, plane, frequency, angle);
        }, data.level, -6, " re listening window");
      });
      var pair = [first.value, second.value].map(function (id) {
        return withMaps.find(function (candidate) { return candidate.id === id; });
      });
      if (pair[0] && pair[1] && pair[0] !== pair[1]) {
        drawMap(row, pair[0].name + " less " + pair[1].name + ", " + plane, plane, function (frequency, angle) {
          return levelAt(pair[0], plane, frequency, angle) - levelAt(pair[1], plane, frequency, angle);
        }, data.difference, null, " difference");
      }
    });
    if (withMaps.length) {
      key(maps, data.level, "Level in dB re listening window:");
      key(maps, data.difference, "Difference in dB:");
    }
    var without = chosen.filter(function (candidate) { return !candidate.maps; });
    notice.textContent = chosen.length < 2 ? "Tick two or more." :
      without.length ? "No maps in this file of: " + without.map(function (c) { return c.name; }).join(", ") + "." : "";
    if (chosen.length) { data.panels.forEach(drawCurves); }
    moveTo(at);
  }
  boxes.forEach(function (box) {
    box.addEventListener("change", function () {
      if (boxes.filter(function (other) { return other.checked; }).length > data.most) {
        box.checked = false;
        notice.textContent = "No more than " + data.most + " can be told apart in one drawing: untick one first.";
        return;
      }
      choose();
    });
  });
  first.addEventListener("change", draw);
  second.addEventListener("change", draw);
  root.hidden = false;
  choose();
})();
