// The points of the plots answer to the hand: one shot lights up everywhere, and says what it is.
(() => {
  const data = JSON.parse(document.getElementById("points")?.textContent ?? "{}");
  const plots = document.getElementById("plots");
  if (!plots || !Object.keys(data).length) return;
  const parts = {}, rows = {}, places = new Map();
  const add = (into, ref, node) => (into[ref] ??= []).push(node);
  for (const link of document.querySelectorAll("figure a")) {
    link.setAttribute("tabindex", "-1");
    add(parts, link.getAttribute("xlink:href").slice(1), link);
  }
  for (const row of document.querySelectorAll("tr[data-of]")) add(rows, row.dataset.of, row);
  const of = ref => [...(parts[ref] ?? []), ...(rows[ref] ?? [])];
  const shots = Object.keys(data).filter(ref => data[ref].shot !== undefined);
  const poses = Object.keys(data).filter(ref => data[ref].shot === undefined);
  const poseOf = Object.fromEntries(poses.map(ref => [data[ref].pose, ref]));
  const kin = ref => data[ref].shot === undefined
    ? shots.filter(s => data[s].pose === data[ref].pose) : [poseOf[data[ref].pose]];

  const made = (tag, attributes = {}, text = "") => {
    const node = Object.assign(document.createElement(tag), attributes);
    if (text) node.textContent = text;
    return node;
  };
  const told = made("p", { className: "told", hidden: true });
  told.setAttribute("role", "status");
  document.body.append(told);
  let pinned = null, shown = null;
  const show = ref => {
    if (ref === shown) return;
    for (const node of document.querySelectorAll(".lit, .kin")) node.classList.remove("lit", "kin");
    shown = ref;
    told.hidden = !ref;
    if (!ref) return;
    for (const node of of(ref)) node.classList.add("lit");
    for (const other of kin(ref)) for (const node of of(other)) node.classList.add("kin");
    told.textContent = data[ref].says;
  };
  const pin = ref => { pinned = ref === pinned ? null : ref; show(pinned); pick.value = pinned ?? ""; };

  // Points are small: the nearest one within a finger's width is meant.
  const placed = svg => {
    const frame = svg.getBoundingClientRect();
    if (places.get(svg)?.width !== frame.width) places.set(svg, {
      width: frame.width,
      points: [...svg.querySelectorAll("a")].map(link => {
        const box = link.getBoundingClientRect();
        return [box.left + box.width / 2 - frame.left, box.top + box.height / 2 - frame.top, link];
      }) });
    return [frame, places.get(svg).points];
  };
  const nearest = (event, reach) => {
    const [frame, points] = placed(event.currentTarget);
    const x = event.clientX - frame.left, y = event.clientY - frame.top;
    let best = null;
    for (const [left, top, link] of points) {
      const away = Math.hypot(left - x, top - y);
      if (away < reach && !link.classList.contains("out")) { reach = away; best = link; }
    }
    return best && best.getAttribute("xlink:href").slice(1);
  };
  for (const svg of document.querySelectorAll("figure svg")) {
    if (!svg.querySelector("a")) continue;
    svg.addEventListener("pointermove", e => e.pointerType === "mouse" && show(nearest(e, 14) ?? pinned));
    svg.addEventListener("pointerleave", () => show(pinned));
    svg.addEventListener("click", e => { e.preventDefault(); const ref = nearest(e, 24); if (ref || pinned) pin(ref ?? pinned); });
  }
  for (const [ref, all] of Object.entries(rows)) for (const row of all) if (data[ref]) {
    row.addEventListener("pointerenter", e => e.pointerType === "mouse" && show(ref));
    row.addEventListener("pointerleave", () => show(pinned));
    row.addEventListener("click", () => pin(ref));
  }
  addEventListener("keydown", e => { if (e.key === "Escape") { pinned = null; show(null); pick.value = ""; } });

  const bar = made("form", { className: "filter" });
  const choice = (name, every, options) => {
    const select = made("select", { name });
    select.append(new Option(every, ""), ...options.map(([value, text]) => new Option(text, value)));
    const label = made("label", {}, name);
    label.append(select);
    bar.append(label);
    return select;
  };
  const different = key => [...new Set(shots.map(ref => data[ref][key]))].map(v => [v, v]);
  const wanted = { stand: choice("stand", "all", different("stand")),
    target: choice("target", "all", different("target")),
    mark: choice("mark", "all", different("mark").filter(([v]) => v)) };
  const pick = choice("shot", "none", shots.map(ref => [ref, data[ref].shot]));
  const count = made("output");
  bar.append(count);
  const filter = () => {
    const kept = new Set(shots.filter(ref => Object.entries(wanted).every(
      ([key, select]) => !select.value || data[ref][key] === select.value)));
    const inPoses = new Set([...kept].map(ref => poseOf[data[ref].pose]));
    for (const ref of [...shots, ...poses]) for (const node of of(ref))
      node.classList.toggle("out", !(kept.has(ref) || inPoses.has(ref)));
    count.textContent = `${kept.size} of ${shots.length} shots`;
  };
  for (const select of Object.values(wanted)) select.addEventListener("change", filter);
  pick.addEventListener("change", () => { pinned = pick.value || null; show(pinned); });
  bar.addEventListener("submit", e => e.preventDefault());
  plots.querySelector("h2").after(made("p", {}, "Touch a point to see which shot it is, here and in the tables below."), bar);
  filter();
})();
addEventListener("beforeprint", () => { for (const d of document.querySelectorAll("details")) d.open = true; });
