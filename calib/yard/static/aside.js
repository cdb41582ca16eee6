// What takes part and what does not: weighed before anybody decides, and every decision taken back as easily.
import { by, change, fill, made, send, tell, touch } from "/static/page.js";

// What setting a value aside, or taking it back, does to the edge; then the person decides.
export async function weigh(name, on) {
  const dialog = by("weigh");
  dialog.replaceChildren(made("p", { role: "status" }, "Weighing ..."));
  if (!dialog.open) dialog.showModal();
  try {
    const { answer } = await send("/weigh", { names: [name], on });
    dialog.replaceChildren(made("h2", {}, on ? `Set ${name} aside?` : `Take ${name} back?`), made("p", { role: "status" }, answer.says),
      made("div", { class: "row" },
        touch(on ? "Set it aside" : "Take it back", () => { dialog.close(); change("/aside", { names: [name], on }); }, { class: "main", id: "decide" }),
        touch("Leave it as it is", () => dialog.close())));
    by("decide").focus();
  } catch (error) {
    dialog.close();
    tell("trouble", error.message, true);
  }
}

export function showAside(view) {
  const { suspects, set_aside, skipped, taken_out, shots } = view;
  const kept = shots.filter((s) => s.state === "kept").map((s) => s.shot);
  const item = (says, label, act) => made("li", {}, says, made("div", { class: "row" }, touch(label, act)));
  const list = (head, items) => (items.length ? [made("h3", {}, head), made("ul", { class: "shots" }, items)] : []);
  by("aside-box").classList.toggle("hide", ![suspects, set_aside, skipped, taken_out, kept].some((one) => one.length));
  fill(by("aside"), { suspects, set_aside, skipped, taken_out, kept }, () => [
    ...list("Does not fit, and is left out of the numbers until somebody decides", suspects.map((s) => item(s.says, "Set it aside ...", () => weigh(s.name, true)))),
    ...list("Set aside", set_aside.map((name) => item(name, "Take it back ...", () => weigh(name, false)))),
    ...list("Kept, though it does not fit", kept.map((name) => item(name, "Keep it no longer", () => change("/keep", { names: [name], on: false })))),
    ...list("Taken out", taken_out.map((one) => item(`${one.shot}: ${one.what}`, "Bring it back", () => change("/back", { names: [one.shot] })))),
    ...list("Left out of the plan", skipped.map((pose) => item(`Pose ${pose}`, "Take it up again", () => change("/skip", { names: [pose], on: false })))),
  ]);
}
