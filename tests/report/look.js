// What a page is like at the width that it has: what is cut off, parted, overprinted, faint.
() => {
  for (const folded of document.querySelectorAll("details")) folded.open = true;
  const cut = [], broken = [], faint = [], over = [];
  let least = 99;
  const room = document.documentElement.clientWidth;
  const colour = text => (text.match(/[\d.]+/g) ?? [0, 0, 0, 0]).map(Number);
  const light = parts => parts.slice(0, 3).map(v => v / 255).map(
    v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4
  ).reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  // WCAG 2.2, 1.4.3.
  const contrast = (one, other) => {
    const [low, high] = [light(one), light(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  };
  const mixed = (front, share, back) => front.slice(0, 3).map((v, i) => share * v + (1 - share) * back[i]);
  const behind = node => {
    for (; node; node = node.parentElement) {
      const back = colour(getComputedStyle(node).backgroundColor);
      if (back.length < 4 || back[3] > 0) return back;
    }
    return [255, 255, 255];
  };
  const rects = (text, start, end) => {
    const range = document.createRange();
    range.setStart(text, start); range.setEnd(text, end);
    return range.getClientRects();
  };

  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let text = walk.nextNode(); text; text = walk.nextNode()) {
    const node = text.parentElement;
    if (!text.textContent.trim() || node.closest("script, style, svg, option")) continue;
    const places = rects(text, 0, text.length), words = text.textContent.trim().slice(0, 40);
    if (!places.length) continue;
    for (const box of places)
      if (box.right > room + 1 || box.left < -1) { cut.push("outside the page: " + words); break; }
    const size = parseFloat(getComputedStyle(node).fontSize);
    if (size < 8) faint.push(`${size} px: ${words}`);
    const ratio = contrast(colour(getComputedStyle(node).color), behind(node));
    if (ratio < 4.5) faint.push(`${ratio.toFixed(1)}: ${words}`);
    if (places.length > 1)
      // Long words may part at a hyphen or an underscore, ids of a file's own anywhere.
      for (const part of [/[\d.]+[ \u00a0](mm|deg|%)/g, /[^\s_/-]+/g].flatMap(
        kind => [...text.textContent.matchAll(kind)])) {
        const whole = text.textContent.slice(0, part.index).match(/\S*$/)[0] +
          text.textContent.slice(part.index).match(/^\S*/)[0];
        if (whole.length > 22) continue;
        const tops = [...rects(text, part.index, part.index + part[0].length)].map(r => Math.round(r.top));
        if (new Set(tops).size > 1) broken.push(part[0]);
      }
  }
  for (const table of document.querySelectorAll(".table"))
    if (table.scrollWidth > table.clientWidth + 1)
      cut.push("table needs scrolling: " + table.textContent.trim().slice(0, 60));
  if (document.documentElement.scrollWidth > room) cut.push("the page needs scrolling");
  for (const row of document.querySelectorAll("tr")) {
    const boxes = [...row.cells].filter(cell => !cell.querySelector("svg, .write")).map(cell => {
      const range = document.createRange(); range.selectNodeContents(cell);
      return range.getBoundingClientRect();
    }).filter(box => box.width);
    boxes.slice(1).forEach((b, i) => {
      const a = boxes[i], level = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3;
      if (level && b.left - a.right < 1.5) cut.push("touching: " + row.textContent.slice(0, 60));
    });
  }
  for (const svg of document.querySelectorAll("figure svg")) {
    const frame = svg.getBoundingClientRect(), boxes = [], name = svg.closest("figure").id, back = behind(svg);
    const shapes = [...svg.querySelectorAll("path, rect, polygon")].map(shape => {
      const style = getComputedStyle(shape), box = shape.getBoundingClientRect();
      return style.fill !== "none" && box.width * box.height > 60 &&
        [box, shape, mixed(colour(style.fill), style.fillOpacity * style.opacity, back)];
    }).filter(Boolean);
    for (const text of svg.querySelectorAll("text")) {
      const box = text.getBoundingClientRect(), turn = text.getScreenCTM();
      const size = parseFloat(getComputedStyle(text).fontSize) * Math.hypot(turn.a, turn.b);
      least = Math.min(least, size);
      if (!turn.b || !turn.a) boxes.push([box, text.textContent]);
      if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 ||
          box.bottom > frame.bottom + 1) cut.push(name + ": " + text.textContent);
      const x = (box.left + box.right) / 2, y = (box.top + box.bottom) / 2;
      const under = shapes.findLast(([b, shape]) => b.left < x && x < b.right && b.top < y && y < b.bottom &&
        shape.isPointInFill(new DOMPoint(x, y).matrixTransform(shape.getScreenCTM().inverse())));
      const ratio = contrast(colour(getComputedStyle(text).fill), under?.[2] ?? back);
      if (ratio < 4.5) faint.push(`${ratio.toFixed(1)}: ${name}: ${text.textContent}`);
    }
    boxes.forEach(([a, one], i) => boxes.slice(i + 1).forEach(([b, other]) => {
      if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5 &&
          Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3)
        over.push(`${name}: ${one} | ${other}`);
    }));
  }
  const silent = [...document.querySelectorAll("svg, img")].filter(
    i => !(i.getAttribute("aria-label") || i.alt)).length;
  return { cut, broken, faint, over, least, silent };
}
