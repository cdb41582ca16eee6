import { showAside } from "/static/aside.js";
import { by, change, fill, follow, held, made, named, pick, send, show, takesFiles, tell, touch, words } from "/static/page.js";
import { chosenInstead, insteadOf, poseSays, readingFields, remedies, showPose, stateOf, typedReadings } from "/static/poses.js";

let view = null, fieldsOf = null, sensors = null;
// What somebody is typing is never written over by what comes in.
const typing = { readings: false, shot: false };
for (const id of Object.keys(typing)) for (const kind of ["input", "change"]) by(id).addEventListener(kind, () => { typing[id] = true; });

function drawn(next) {
  view = next;
  by("to-do").textContent = held(view.to_do);
  by("edge-says").textContent = held(view.edge.says ?? "");
  by("minutes").textContent = view.minutes;
  tell("trouble", view.trouble.join(" "), true);
  tell("behind", [...view.doubts.map((one) => `\u25b2 ${one.says}`), ...view.behind.map((one) => `Pose ${one.pose} lacks a shot: see below.`)].join(" "));
  fill(by("meter"), view.edge, () => meter(view.edge));
  order();
  showWaiting();
  showNewest(view.shots[0]);
  showHere();
  showNext();
  showShotForm();
  showPoses();
  showAside(view);
}

// What is to be done next comes first, for the eye on a narrow page and for the keyboard; the cautions stay with the next pose.
function order() {
  const here = by("here"), there = [by("there"), by("cautions")];
  if (view.left.length || !view.next || view.doubts.some((one) => one.pose === view.at)) { if (here.nextElementSibling !== there[0]) move(here, there, "before"); } else if (there[1].nextElementSibling !== here) move(here, there, "after");
}

// Whoever is in the middle of typing keeps the place; the others move.
function move(here, there, side) {
  if (here.contains(document.activeElement)) here[side === "before" ? "after" : "before"](...there);
  else (side === "before" ? there[0] : there[1])[side](here);
}

// The edge on a scale of mm: required, now, expected. Words stand beside; the bar is for the eye.
function meter(edge) {
  if (edge.now === null || edge.required === null) return [];
  const end = 1.15 * Math.max(edge.required * 1.5, Math.min(edge.now, edge.required * 6));
  const at = (mm) => Math.min(99, (100 * mm) / end);
  const mark = (mm, word, up) => [
    made("line", { x1: at(mm), x2: at(mm), y1: up ? 4 : 10, y2: up ? 12 : 18, stroke: "#14181c", "stroke-width": 0.7 }),
    made("text", { x: at(mm), y: up ? 3.4 : 21.5, "font-size": 3.4, "text-anchor": at(mm) > 80 ? "end" : at(mm) < 15 ? "start" : "middle" }, `${word} ${mm < 10 ? mm.toFixed(1) : mm.toFixed(0)} mm`),
  ];
  return [made("svg", { class: "meter", viewBox: "0 0 100 23", role: "img", "aria-label": edge.says },
    made("rect", { x: 0, y: 9, width: 100, height: 4, fill: "#d5dde4" }),
    made("rect", { x: 0, y: 9, width: at(edge.now), height: 4, fill: edge.met ? "#0b4f8a" : "#a33b00" }),
    ...mark(edge.required, "required", true), ...mark(edge.now, "now", false))];
}

function showNewest(shot) {
  by("newest-box").classList.toggle("off-box", shot?.state === "does not fit");
  fill(by("newest"), shot ?? null, () => (!shot ? [made("p", { class: "quiet" }, "None yet.")] : [
    made("p", { class: "lead" }, stateOf(shot)), made("p", {}, `${words(shot.target)} of pose ${shot.pose} (${shot.shot})`), made("p", {}, shot.says),
    shot.state === "does not fit" && made("div", { class: "row" }, remedies(view, shot))]));
}

// Points of the collector's file: of which pose and target are they?
function showWaiting() {
  by("waiting-box").classList.toggle("hide", view.waiting.length === 0);
  fill(by("waiting"), view.waiting.map((one) => one.name), () => view.waiting.map((one, number) => {
    const pose = pick("pose", `Pose of ${one.name}`, view.poses.map((p) => p.pose), view.at);
    const target = pick("target", `Target of ${one.name}`, view.targets, view.left[0]);
    const instead = made("div"), look = () => instead.replaceChildren(insteadOf(view, pose.value, target.value, `instead-${number}`) ?? "");
    pose.addEventListener("change", look);
    target.addEventListener("change", look);
    look();
    const settle = async (body) => {
      try { show((await send("/settle", { name: one.name, ...body })).view); tell("waiting-told", ""); } catch (error) { tell("waiting-told", error.message, true); }
    };
    return made("li", {}, `${one.name}: ${one.where}`, made("div", { class: "fields" }, made("label", {}, "Pose", pose), made("label", { class: "long" }, "Target", target)), instead,
      made("div", { class: "row" },
        touch("It is that shot", () => settle({ pose: pose.value, target: target.value, instead: chosenInstead(instead) })),
        touch("It is no shot of this run", () => settle({}))));
  }));
}

function showHere() {
  const pose = view.poses.find((one) => one.pose === view.at);
  by("here-box").classList.toggle("hide", !pose);
  if (!pose) return;
  by("here-head").textContent = `Pose ${pose.pose}, where the machine is`;
  showPose(by("here-pose"), view, pose);
}

function showPoses() {
  const earlier = view.poses.filter((one) => one.pose !== view.at).reverse(), list = by("poses");
  by("poses-box").classList.toggle("hide", !earlier.length);
  const kept = new Map([...list.children].map((one) => [one.dataset.pose, one]));
  const items = earlier.map((pose) => kept.get(pose.pose) ?? made("details", { "data-pose": pose.pose, open: poseSays(view, pose).includes("\u25b2"), ontoggle: () => showPoses() }, made("summary"), made("div")));
  if (items.length !== list.children.length || items.some((one, k) => one !== list.children[k])) list.replaceChildren(...items);
  items.forEach((one, k) => {
    const says = poseSays(view, earlier[k]), [summary, body] = one.children;
    if (summary.textContent !== says) summary.textContent = says;
    if (one.open) showPose(body, view, earlier[k]);
  });
}

function drawing(points, label) {
  return made("figure", {}, made("svg", { viewBox: points.box, role: "img", "aria-label": label },
    made("polygon", { points: points.body }), made("polyline", { points: points.arm }), made("polyline", { points: points.edge, class: "edge" })),
  made("figcaption", {}, label));
}

// The pose to drive to, or one of somebody's own.
function showNext() {
  const pose = view.next, key = JSON.stringify([pose, view.readings, pose ? null : view.at]);
  if (key === fieldsOf || typing.readings) return;
  fieldsOf = key;
  by("next-head").textContent = pose ? `Next: pose ${pose.pose}, stand ${pose.stand}` : "Next: a pose of your own";
  by("next").replaceChildren(...(pose ? [made("div", { class: "pose" }, drawing(pose.side, "from its right side"), drawing(pose.behind, "attachment from behind")),
    made("p", {}, `${pose.height}. To shoot: ${pose.shoot}.`, made("b", {}, pose.come_to))] : []));
  by("leave").classList.toggle("hide", !pose);
  by("reading-fields").replaceChildren(...readingFields(view, {}, {}, (r) => {
    const wanted = pose?.readings[r.name];
    return [made("small", {}, wanted ? [made("b", { class: "wanted" }, `${wanted.wanted}`), ` ${r.unit} wanted${wanted.range ? `, ${wanted.range} is fine` : ""}`] : `${r.unit}${pose ? ", as it is" : ""}`),
      made("small", { class: "live", "data-live": r.name })];
  }, pose?.noted));
  const form = by("readings").elements;
  form.pose.value = pose ? pose.pose : "";
  form.stand.value = pose ? pose.stand : view.poses.at(-1)?.stand ?? "1";
  showSensors();
}

function showShotForm() {
  by("shot-box").classList.toggle("hide", !view.poses.length);
  if (typing.shot) return;
  const form = by("shot").elements;
  for (const [select, names, chosen] of [[form.pose, view.poses.map((p) => p.pose), view.at], [form.target, view.targets, view.left[0]]]) {
    fill(select, names, () => names.map((name) => made("option", { value: name }, words(name))));
    select.value = chosen ?? names.at(-1) ?? "";
  }
  showInstead();
}

function showInstead() {
  const form = by("shot").elements;
  by("instead").replaceChildren(insteadOf(view, form.pose.value, form.target.value, "instead") ?? "");
}
for (const name of ["pose", "target"]) by("shot").elements[name].addEventListener("change", showInstead);

by("readings").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = by("readings"), pose = form.elements.pose.value.trim();
  if (view.poses.some((p) => p.pose === pose)) return tell("readings-told", `Pose ${pose} has readings already: correct them there, or give this one another name.`, true);
  try {
    const said = await send("/readings", { pose, stand: form.elements.stand.value, ...typedReadings(view, form) });
    const off = said.answer.says;
    tell("readings-told", "");
    tell("here-told", [`Pose ${pose} is noted.`, ...(off.length ? [made("ul", {}, off.map((one) => made("li", {}, `\u25b2 ${one}`))), "A slip of the pen? Correct it. If the machine stands so, it counts as it is."] : [])]);
    typing.readings = false;
    show(said.view);
  } catch (error) {
    tell("readings-told", error.message, true);
  }
});

by("shot").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = by("shot").elements;
  const one = Object.fromEntries(["pose", "target", "east", "north", "up"].map((name) => [name, form[name].value]));
  try {
    const said = await send("/shots", { ...one, instead: chosenInstead(by("instead")) });
    tell("shot-told", `Noted as ${said.answer.shot}.`);
    tell("here-told", "");
    for (const name of ["east", "north", "up"]) form[name].value = "";
    typing.shot = false;
    show(said.view);
  } catch (error) {
    tell("shot-told", error.message, true);
  }
});

by("leave").addEventListener("click", () => view.next && change("/skip", { names: [view.next.pose] }));

takesFiles(by("drop"), by("pick"), async (files) => {
  for (const file of files) {
    try {
      const said = await send("/points", named(file));
      tell("points-told", said.answer.says);
      show(said.view);
    } catch (error) {
      tell("points-told", error.message, true);
    }
  }
});

// What the sensors say now, beside what is wanted; the fields take it once the machine stands where it should.
function showSensors() {
  if (!sensors || !view) return;
  tell("log-says", sensors.says, !sensors.still);
  let there = sensors.still;
  for (const place of document.querySelectorAll("[data-live]")) {
    const name = place.dataset.live, now = Math.round(10 * sensors.readings[name]) / 10 + 0, wanted = view.next?.readings[name];
    const fine = !wanted || wanted.least === null || (now >= wanted.least && now <= wanted.most);
    there &&= fine;
    const off = wanted && !fine ? `; ${Math.abs(wanted.wanted - now).toFixed(1)} ${now < wanted.wanted ? "more" : "less"}` : "";
    place.textContent = sensors.readings[name] === undefined ? "" : `${wanted && fine ? "\u25cf " : ""}now ${now}${off}`;
  }
  by("from-log").disabled = !sensors.still;
  if (view.next && !typing.readings) for (const [name, value] of Object.entries(sensors.readings)) by("readings").elements[name].value = there ? value : "";
}

async function watch() {
  for (;;) {
    try {
      const answer = await fetch("/sensors");
      if (answer.ok) { sensors = await answer.json(); showSensors(); }
    } catch { sensors = null; }
    await new Promise((done) => setTimeout(done, 700));
  }
}

if (by("from-log")) {
  watch();
  by("from-log").addEventListener("click", () => {
    for (const [name, value] of Object.entries(sensors?.readings ?? {})) by("readings").elements[name].value = value;
    typing.readings = true;
    tell("readings-told", "Taken from the log: look at them, then note them.");
  });
}

follow(drawn);
