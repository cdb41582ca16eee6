for (const button of document.querySelectorAll("th button")) {
  button.addEventListener("click", () => {
    const head = button.parentElement, body = head.closest("table").tBodies[0];
    const column = head.cellIndex, down = head.getAttribute("aria-sort") === "ascending";
    const key = row => {
      const data = row.cells[column].querySelector("data");
      return data ? Number(data.value) : row.cells[column].textContent.trim();
    };
    const rows = [...body.rows].map((row, i) => ({ row, i, k: key(row) }));
    rows.sort((a, b) => {
      const blank = (a.k === "") - (b.k === "");
      if (blank) return blank;
      const order = typeof a.k === "number" && typeof b.k === "number"
        ? a.k - b.k : String(a.k).localeCompare(String(b.k), "en", { numeric: true });
      return (down ? -order : order) || a.i - b.i;
    });
    for (const other of head.parentElement.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    body.append(...rows.map(r => r.row));
  });
}
