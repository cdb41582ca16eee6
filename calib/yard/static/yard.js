import { by, made, send, tell } from "/static/page.js";

let view = null;
let filledFor = null;
// What somebody is typing is never written over by what comes in.
const typing = { readings: false, shot: false };
for (const id of Object.keys(typing)) for (const kind of ["input", "change"]) by(id).addEventListener(kind, () => { typing[id] = true; });

async function follow() {
  let seen = -1;
  for (;;) {
    try {
      const answer = await fetch(`/now?seen=${seen}`);
      if (!answer.ok) throw new Error(await answer.text());
      const next = await answer.json();
      seen = next.version;
      show(next);
    } catch (error) {
      by("trouble").textContent = "The server does not answer: is calib still running? What was noted is in the run folder.";
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
}

function show(next) {
  view = next;
  by("to-do").textContent = view.to_do;
  by("edge-says").textContent = view.edge.says ?? "";
  by("minutes").textContent = view.minutes;
  by("trouble").textContent = view.trouble.join(" ");
  by("counts").textContent = `Shots: ${view.counts.shots}. Poses: ${view.counts.poses}, and ${view.counts.to_come} of the plan to come.` + (view.unsolved ? ` Not solved yet: ${view.unsolved}.` : "");
  by("meter").replaceChildren(...meter(view.edge));
  showWaiting();
  showNewest(view.shots[0]);
  showPose(view.pose);
  showChoices();
  showAside();
  by("shots").replaceChildren(...view.shots.map(shotItem));
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
  return [made("svg", { class: "meter", viewBox: "0 0 100 23", role: "img", "aria-label": view.edge.says },
    made("rect", { x: 0, y: 9, width: 100, height: 4, fill: "#d5dde4" }),
    made("rect", { x: 0, y: 9, width: at(edge.now), height: 4, fill: edge.now <= edge.required ? "#0b4f8a" : "#a33b00" }),
    ...mark(edge.required, "required", true), ...mark(edge.now, "now", false))];
}

const classOf = (state) => (state === "does not fit" ? "off" : state === "fits" ? "good" : "");

function stateOf(shot) {
  return made("span", { class: `state ${classOf(shot.state)}` }, `${shot.sign} ${shot.state}`);
}

function showNewest(shot) {
  by("newest-box").classList.toggle("off-box", shot?.state === "does not fit");
  if (!shot) return;
  const parts = [made("p", { class: "lead" }, stateOf(shot)),
    made("p", {}, `${shot.shot}: ${words(shot.target)} of pose ${shot.pose}`), made("p", {}, shot.says)];
  if (shot.state === "does not fit") parts.push(choices(shot));
  by("newest").replaceChildren(...parts);
}

// Points of the collector's file: of which pose and target are they?
function showWaiting() {
  by("waiting-box").classList.toggle("hide", view.waiting.length === 0);
  const key = JSON.stringify(view.waiting.map((one) => one.name));
  if (by("waiting").dataset.key === key) return;
  by("waiting").dataset.key = key;
  by("waiting").replaceChildren(...view.waiting.map((one) => {
    const pose = made("select", { "aria-label": `Pose of ${one.name}` }, ...view.poses.map((p) => made("option", { value: p.pose }, p.pose)));
    const target = made("select", { "aria-label": `Target of ${one.name}` }, ...view.targets.map((t) => made("option", { value: t }, words(t))));
    pose.value = view.at ?? "";
    return made("li", {}, `${one.name}: ${one.where}`, made("div", { class: "fields" }, made("label", {}, "Pose", pose), made("label", {}, "Target", target)),
      made("div", { class: "row" },
        made("button", { type: "button", onclick: () => settle(one.name, pose.value, target.value) }, "It is that shot"),
        made("button", { type: "button", onclick: () => settle(one.name, "", "") }, "It is none of this run")));
  }));
}

async function settle(name, pose, target) {
  try { show((await send("/settle", { name, pose, target })).view); tell("waiting-told", ""); } catch (error) { tell("waiting-told", error.message, true); }
}

const words = (name) => name.replaceAll("_", " ");

function choices(shot) {
  return made("div", { class: "row" },
    made("button", { type: "button", onclick: () => weigh(shot.shot) }, "Set it aside ..."),
    made("button", { type: "button", onclick: () => keep(shot.shot) }, "Keep it all the same"));
}

async function weigh(name) {
  const names = view.set_aside.includes(name) ? view.set_aside.filter((n) => n !== name) : [...view.set_aside, name];
  const back = names.length < view.set_aside.length;
  try {
    const { answer } = await send("/weigh", { names });
    by("aside-box").replaceChildren(made("div", { role: "status" },
      made("p", {}, `${back ? "Taking back" : "Setting aside"} ${name}: ${answer.says}`),
      made("div", { class: "row" },
        made("button", { type: "button", id: "decide", onclick: () => decide(names) }, back ? `Take ${name} back` : `Set ${name} aside`),
        made("button", { type: "button", onclick: () => showAside() }, "Leave it as it is"))));
    by("decide").focus();
  } catch (error) {
    by("trouble").textContent = error.message;
  }
}

async function decide(names) {
  try { show((await send("/aside", { names })).view); by("aside-box").replaceChildren(); } catch (error) { by("trouble").textContent = error.message; }
}

async function keep(name) {
  try { show((await send("/keep", { names: [...keptShots(), name] })).view); } catch (error) { by("trouble").textContent = error.message; }
}

const keptShots = () => view.shots.filter((s) => s.state === "kept").map((s) => s.shot);

function showAside() {
  if (by("decide")) { if (document.activeElement === by("decide")) return; }
  by("aside-box").replaceChildren(...(view.suspects.length ? [made("p", {}, "What does not fit is left out of the numbers above:"),
    made("ul", {}, ...view.suspects.map((s) => made("li", {}, s.says)))] : []));
}

function shotItem(shot) {
  const button = shot.state === "set aside" ? made("button", { type: "button", onclick: () => weigh(shot.shot) }, "Take it back ...")
    : shot.state === "does not fit" ? made("button", { type: "button", onclick: () => weigh(shot.shot) }, "Set it aside ...") : null;
  return made("li", {}, stateOf(shot), ` ${shot.shot}: ${words(shot.target)} of pose ${shot.pose}`, made("p", { class: "quiet" }, shot.says), button);
}

function drawing(points, label) {
  return made("figure", {}, made("svg", { viewBox: points.box, role: "img", "aria-label": label },
    made("polygon", { points: points.body }), made("polyline", { points: points.arm }), made("polyline", { points: points.edge, class: "edge" })),
  made("figcaption", {}, label));
}

function showPose(pose) {
  const key = JSON.stringify([pose?.pose, view.at, view.left]);
  if (key === filledFor || typing.readings) return;
  filledFor = key;
  by("pose-head").textContent = pose ? `Pose ${pose.pose}, stand ${pose.stand}` : "A pose of your own";
  by("pose").replaceChildren(...(pose ? [made("div", { class: "pose" }, drawing(pose.side, "from its right side"), drawing(pose.behind, "attachment from behind")),
    made("p", {}, `${pose.height}. Shoot ${pose.shoot.map(words).join(", ")}.`)] : []));
  by("leave").classList.toggle("hide", !pose);
  by("reading-fields").replaceChildren(...view.readings.map((r) => {
    const wanted = pose?.readings.find((w) => w.name === r.name);
    return made("label", {}, words(r.name), made("small", {}, wanted?.wanted == null ? r.unit : `${r.unit}; ${wanted.wanted} wanted${wanted.range ? `, ${wanted.range} is fine` : ""}`),
      made("input", { name: r.name, inputmode: "text", required: true, title: r.means }));
  }));
  const form = by("readings").elements;
  form.pose.value = pose ? pose.pose : "";
  form.stand.value = pose ? pose.stand : view.poses.at(-1)?.stand ?? "1";
}

function showChoices() {
  const form = by("shot").elements;
  const options = (select, names, chosen) => {
    select.replaceChildren(...names.map((name) => made("option", { value: name }, words(name))));
    select.value = chosen ?? names.at(-1) ?? "";
  };
  if (typing.shot) return;
  options(form.pose, view.poses.map((p) => p.pose), view.at);
  options(form.target, view.targets, view.left[0]);
}

by("readings").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = by("readings").elements;
  const readings = Object.fromEntries(view.readings.map((r) => [r.name, form[r.name].value]));
  const pose = form.pose.value.trim();
  try {
    let was = null;
    if (view.poses.some((p) => p.pose === pose)) {
      was = (await send("/row", { file: "readings.csv", name: pose })).answer.row;
      if (!confirm(`Pose ${pose} has readings already. Write these over them?`)) return;
    }
    const said = await send("/readings", { pose, stand: form.stand.value, readings, was });
    tell("readings-told", ["Noted.", ...said.answer.says].join(" "));
    typing.readings = false;
    show(said.view);
  } catch (error) {
    tell("readings-told", error.message, true);
  }
});

by("from-log")?.addEventListener("click", async () => {
  try {
    const { readings } = (await send("/logged", {})).answer;
    for (const [name, value] of Object.entries(readings)) by("readings").elements[name].value = value;
    typing.readings = true;
    tell("readings-told", "Taken from the log: look at them, then note them.");
  } catch (error) {
    tell("readings-told", error.message, true);
  }
});

by("shot").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = by("shot").elements;
  const one = Object.fromEntries(["pose", "target", "east", "north", "up"].map((name) => [name, form[name].value]));
  try {
    const said = await send("/shots", one);
    tell("shot-told", `Noted as ${said.answer.shot}.`);
    for (const name of ["east", "north", "up"]) form[name].value = "";
    typing.shot = false;
    show(said.view);
  } catch (error) {
    tell("shot-told", error.message, true);
  }
});

by("leave").addEventListener("click", async () => {
  const pose = view.left.length ? view.at : view.to_come[0];
  if (!pose) return;
  try {
    const skipped = (await send("/row", { file: "readings.csv", name: pose })).view.skipped;
    show((await send("/skip", { names: [...new Set([...skipped, pose])] })).view);
  } catch (error) {
    by("trouble").textContent = error.message;
  }
});

follow();
