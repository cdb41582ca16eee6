// A pose as it was noted: its readings, its shots, what it lacks, and how each is put right.
import { weigh } from "/static/aside.js";
import { change, fill, made, pick, send, show, tell, touch, words } from "/static/page.js";

const KIND = { "does not fit": "off", fits: "good" };

export const stateOf = (shot) => made("span", { class: `state ${KIND[shot.state] ?? ""}` }, `${shot.sign} ${shot.state}`);

// The fields for the readings of a pose; `beside` says what stands with each.
export function readingFields(view, values = {}, noted = {}, beside = () => [], planned = {}) {
  return [...view.readings.map((r) => made("label", { title: r.means }, words(r.name), beside(r),
    made("input", { name: r.name, inputmode: "text", value: values[r.name] ?? "", required: !r.optional, autocomplete: "off" }))),
  ...noteFields(view.columns.filter((c) => c.needed), noted, planned),
  ...(view.columns.some((c) => !c.needed) ? [made("details", { class: "long" }, made("summary", {}, "More to note, if somebody looked"), made("div", { class: "fields" }, noteFields(view.columns.filter((c) => !c.needed), noted)))] : [])];
}

const noteFields = (columns, noted, planned = {}) => columns.map((c) => made("label", {}, words(c.name), made("small", {}, c.means), planned[c.name] && made("small", {}, made("b", { class: "wanted" }, planned[c.name]), " wanted"), pick(`noted ${c.name}`, c.name, ["", ...c.words], noted[c.name] ?? "", c.needed)));

export function typedReadings(view, form) {
  return { readings: Object.fromEntries(view.readings.map((r) => [r.name, form.elements[r.name].value])),
    noted: Object.fromEntries(view.columns.map((c) => [c.name, form.elements[`noted ${c.name}`].value])) };
}

// Shots of a target that a new one may take the place of: said, never silent.
export function insteadOf(view, pose, target, name) {
  const there = view.shots.filter((s) => s.pose === pose && s.target === target && s.state !== "set aside");
  if (!there.length) return null;
  const ids = there.map((s) => s.shot), off = there.length === 1 && there[0].state === "does not fit";
  const answer = (says, value, checked) => made("label", { class: "answer" }, made("input", { type: "radio", name, value, checked }), ` ${says}`);
  return made("fieldset", { "data-ids": JSON.stringify(ids) }, made("legend", {}, `Shot already: ${there.map((s) => `${s.shot} (${s.state})`).join(", ")}`),
    answer(`This one takes its place; ${ids.join(", ")} ${ids.length > 1 ? "are" : "is"} taken out`, "instead", off), answer(ids.length > 1 ? "All count" : "Both count", "both", !off));
}

export function chosenInstead(place) {
  const field = place.querySelector("fieldset");
  return field?.querySelector("input:checked")?.value === "instead" ? JSON.parse(field.dataset.ids) : [];
}

// An editor in the place of what it changes; `write` is given the form and the row as it was.
async function edit(host, file, name, fields, buttons, write) {
  if (host.querySelector(".editor")) return;
  const told = made("p", { class: "told", role: "status" }), form = made("form", { class: "editor", autocomplete: "off" });
  host.append(form);  // at once: what is being edited is not drawn anew meanwhile
  const done = () => { form.remove(); show(); };
  let was;
  const act = async (body) => {
    try { const { view } = await send(...write(body, form, was)); form.remove(); show(view); } catch (error) { tell(told, error.status === 409 ? "Somebody changed this meanwhile: leave it, and look again." : error.message, true); }
  };
  try { was = (await send("/row", { file, name })).answer.row; } catch (error) { tell("trouble", error.message, true); return done(); }
  form.append(made("div", { class: "fields" }, fields(was ?? {})), told,
    made("div", { class: "row" }, made("button", { class: "main" }, "Write it"), buttons(act), touch("Leave it as it is", done)));
  form.addEventListener("submit", (event) => { event.preventDefault(); act("write"); });
  form.querySelector("input, select").focus();
}

function editShot(host, view, shot) {
  edit(host, "shots.csv", shot.shot, (row) => [
    made("label", {}, "Pose", pick("pose", "Pose", view.poses.map((p) => p.pose), row.pose)),
    made("label", { class: "long" }, "Target", pick("target", "Target", view.targets, row.target)),
    ["east", "north", "up"].map((axis) => made("label", {}, `${axis}, m`, made("input", { name: axis, inputmode: "decimal", required: true, value: row[axis] })))],
  (act) => [touch("Take it out", () => act("out"))],
  (what, form, was) => ["/shot", { shot: shot.shot, was, ...(what === "out" ? {} : Object.fromEntries(["pose", "target", "east", "north", "up"].map((n) => [n, form.elements[n].value]))) }]);
}

function editReadings(host, view, pose) {
  edit(host, "readings.csv", pose.pose, (row) => [made("label", {}, "Stand", made("input", { name: "stand", required: true, value: row.stand })), readingFields(view, row, row)],
    (act) => (view.shots.some((s) => s.pose === pose.pose) ? [] : [touch("Take this pose out", () => act("out"))]),
    (what, form, was) => ["/readings", what === "out" ? { pose: pose.pose, was } : { pose: pose.pose, stand: form.elements.stand.value, ...typedReadings(view, form), was }]);
}

// What can be done about a shot that does not fit; `takeOut` where another one of its target fits.
export function remedies(view, shot) {
  const again = view.shots.some((s) => s !== shot && s.pose === shot.pose && s.target === shot.target && !["does not fit", "set aside"].includes(s.state));
  const out = async () => { try { change("/shot", { shot: shot.shot, was: (await send("/row", { file: "shots.csv", name: shot.shot })).answer.row }); } catch (error) { tell("trouble", error.message, true); } };
  return [again && touch("Take it out", out), touch("Set it aside ...", () => weigh(shot.shot, true)), touch("Keep it all the same", () => change("/keep", { names: [shot.shot] }))];
}

function shotItem(view, shot) {
  const item = made("li", {}, stateOf(shot), ` ${words(shot.target)} `, made("span", { class: "quiet" }, `(${shot.shot}) `), made("span", { class: "quiet" }, shot.says));
  item.append(made("div", { class: "row" }, ...(shot.state === "does not fit" ? remedies(view, shot).filter(Boolean) : []),
    shot.state === "set aside" ? touch("Take it back ...", () => weigh(shot.shot, false)) : "",
    touch("Correct or take out", () => editShot(item, view, shot), { class: "small", "aria-label": `Correct or take out ${shot.shot}` })));
  return item;
}

// Readings and shots of a pose, put in `place` if they are not there as they are.
export function showPose(place, view, pose) {
  const shots = view.shots.filter((s) => s.pose === pose.pose);
  const behind = view.behind.find((one) => one.pose === pose.pose);
  const doubt = view.doubts.find((one) => one.pose === pose.pose);
  fill(place, [pose, shots, behind, doubt, view.at], () => {
    const read = made("div", {}, doubt && made("p", { class: "told wrong" }, `\u25b2 ${doubt.says}`), made("p", { class: "readings" }, view.readings.filter((r) => pose.readings[r.name] !== "").map((r) => made("span", {}, `${words(r.name)} `, made("b", {}, pose.readings[r.name]))),
      Object.entries(pose.noted).map(([name, word]) => made("span", {}, `${words(name)} `, made("b", {}, word)))));
    read.append(touch("Correct the readings", () => editReadings(read, view, pose), { class: "small", "aria-label": `Correct the readings of pose ${pose.pose}` }));
    return [read, behind ? made("div", {}, made("p", {}, behind.says), touch("Go without", () => change("/skip", { names: [pose.pose] }), { class: "small", "aria-label": `Go without the rest of pose ${pose.pose}` })) : null,
      made("ul", { class: "shots" }, pose.lacks.map((target) => made("li", {}, made("span", { class: "state" }, `\u25a1 ${behind ? "not shot" : "to shoot"}`), ` ${words(target)}`)), shots.map((shot) => shotItem(view, shot)))];
  });
}

export function poseSays(view, pose) {
  const shots = view.shots.filter((s) => s.pose === pose.pose), off = shots.filter((s) => s.state === "does not fit").length;
  const early = shots.filter((s) => s.state === "not checked yet").length;
  const how = view.doubts.some((one) => one.pose === pose.pose) ? "\u25b2 look at its readings" : off ? `\u25b2 ${off} do${off > 1 ? "" : "es"} not fit` : early ? `\u25cb ${early} not checked yet` : shots.length ? "\u25cf all fit" : "";
  return [`Pose ${pose.pose}, stand ${pose.stand}: ${shots.length === 1 ? "1 shot" : `${shots.length} shots`}`, how, pose.lacks.length ? `\u25a1 without ${pose.lacks.map(words).join(", ")}` : ""].filter(Boolean).join("; ");
}
