"use strict";
// Sorts the ranking by the column whose heading is pressed; without a script it stays by place.
document.querySelectorAll("table.ranking").forEach(function (table) {
  var body = table.tBodies[0];
  table.querySelectorAll("button.sort").forEach(function (button) {
    button.addEventListener("click", function () {
      var heading = button.closest("th");
      var column = heading.dataset.column;
      var down = heading.getAttribute("aria-sort") === "ascending";
      table.querySelectorAll("th[aria-sort]").forEach(function (other) {
        other.removeAttribute("aria-sort");
      });
      heading.setAttribute("aria-sort", down ? "descending" : "ascending");
      function key(row) {
        var cell = row.querySelector('[data-column="' + column + '"]');
        return cell ? parseFloat(cell.dataset.value) : NaN;
      }
      Array.from(body.rows)
        .sort(function (a, b) {
          var x = key(a), y = key(b);
          if (isNaN(x) || isNaN(y)) { return isNaN(x) - isNaN(y); }
          return down ? y - x : x - y;
        })
        .forEach(function (row) { body.appendChild(row); });
    });
  });
});
