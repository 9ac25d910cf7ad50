// SPDX-License-Identifier: GPL-3.0-or-later
// A slider for each dimension that the job searches.

const LONG = 10;

export class Sliders {
  constructor(place, onMove) {
    this.place = place;
    this.onMove = onMove;
    this.items = new Map();
  }

  build(descriptions, start) {
    this.place.replaceChildren();
    this.items.clear();
    for (const one of descriptions) this.items.set(one.key, this.item(one, start[one.key]));
  }

  item(one, value) {
    const box = document.createElement("div");
    box.className = "slider";
    const name = one.key.split(".").map((part) => part.replace(/_(mm|deg|pct)$/, "")).join(", ").replaceAll("_", " ");
    const label = document.createElement("label");
    label.htmlFor = `slider-${one.key}`;
    label.title = one.help;
    const text = document.createElement("span");
    text.textContent = name;
    const output = document.createElement("output");
    label.append(text, output);
    const input = document.createElement("input");
    input.type = "range";
    input.id = label.htmlFor;
    const decimals = Math.max(0, -Math.floor(Math.log10(one.step)));
    const unit = one.unit === "°" ? one.unit : ` ${one.unit}`;
    const shown = (v) => `${Number(v).toFixed(one.choices.length ? 3 : decimals).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "")}${unit}`;
    const byPlace = one.choices.length > 0;
    input.min = byPlace ? 0 : one.low;
    input.max = byPlace ? one.choices.length - 1 : one.high;
    input.step = byPlace ? 1 : "any";
    const rules = document.createElement("canvas");
    const rule = document.createElement("div");
    rule.className = "rule";
    rule.id = `rule-${one.key}`;
    input.setAttribute("aria-describedby", rule.id);
    const ends = document.createElement("div");
    ends.className = "ends";
    for (const end of [one.low, one.high]) {
      const span = document.createElement("span");
      span.textContent = shown(end);
      ends.append(span);
    }
    box.append(label, input, rules, ends, rule);
    this.place.append(box);
    const item = { one, input, rules, rule, byPlace };
    item.set = (v) => {
      item.value = v;
      input.value = byPlace ? one.choices.indexOf(v) : v;
      output.textContent = shown(v);
      input.setAttribute("aria-valuetext", shown(v));
    };
    const moved = (v) => {
      const limited = Math.min(Math.max(v, one.low), one.high);
      const stepped = one.low + Math.round((limited - one.low) / one.step) * one.step;
      item.set(Math.min(Number(stepped.toFixed(decimals + 3)), one.high));
      this.onMove();
    };
    input.addEventListener("input", () => {
      if (byPlace) {
        item.set(one.choices[Number(input.value)]);
        this.onMove();
      } else moved(Number(input.value));
    });
    input.addEventListener("keydown", (event) => {
      if (byPlace) return;
      const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -LONG, PageUp: LONG }[event.key];
      if (steps === undefined) return;
      event.preventDefault();
      moved(item.value + steps * one.step);
    });
    item.set(value);
    return item;
  }

  get values() {
    return Object.fromEntries([...this.items].map(([key, item]) => [key, item.value]));
  }

  set values(values) {
    for (const [key, value] of Object.entries(values)) this.items.get(key)?.set(value);
  }

  // Grey out what would break a rule: for each key, stretches [from, to, rule] of its range. What
  // is broken now is said where a dimension lies in one of them.
  grey(broken, now) {
    for (const [key, item] of this.items) {
      const { rules, one, rule } = item;
      const width = (rules.width = Math.max(rules.clientWidth, 1) * devicePixelRatio);
      const height = (rules.height = 7 * devicePixelRatio);
      const pen = rules.getContext("2d");
      const at = (v) => 8 + ((v - one.low) / (one.high - one.low)) * (width - 16);
      pen.fillStyle = "#d9e2ec";
      pen.fillRect(8, height * 0.35, width - 16, height * 0.3);
      let said = "";
      rules.title = (broken[key] ?? []).map(([, , why]) => why).join("\n");
      for (const [from, to] of broken[key] ?? []) {
        pen.fillStyle = "#8a9097";
        for (let x = at(from); x < at(to); x += 4 * devicePixelRatio)
          pen.fillRect(x, 0, 2 * devicePixelRatio, height);
        if (item.value >= from && item.value <= to) said = now;
      }
      rule.textContent = said;
    }
  }
}
