// SPDX-License-Identifier: GPL-3.0-or-later
// Parts of the page, found and made.

export const at = (id) => document.getElementById(id);

export function element(name, text, attributes = {}) {
  const one = document.createElement(name);
  one.textContent = text;
  Object.assign(one, attributes);
  return one;
}

export function rowOf(...texts) {
  const row = document.createElement("tr");
  row.append(...texts.map((text) => element("td", text)));
  return row;
}
