import { showAside } from "/static/aside.js";
import { by, follow, made, named, send, takesFiles, tell } from "/static/page.js";

const SIGN = { yes: "\u25cf", "yes, but": "\u25c6", NO: "\u25b2", open: "\u25cb" };

// What there is of a result, and what waits for one.
function showResult(desk) {
  by("says").replaceChildren(...desk.says.map((one) => made("li", {}, made("span", { class: `state ${["NO", "yes, but"].includes(one.answer) ? "off" : ""}` }, `${SIGN[one.answer] ?? ""} ${one.answer}`), ` ${one.says}`)));
  const link = (one) => made("a", { href: `/result/${encodeURIComponent(one.name)}`, target: "_blank", rel: "noopener" }, one.says);
  by("files").replaceChildren(...desk.files.map((one) => made("li", {}, link(one), made("span", { class: "quiet" }, ` (${one.name})`))));
  by("plots").replaceChildren(...desk.plots.map((one) => made("figure", {}, made("a", { href: `/result/${encodeURIComponent(one.name)}`, target: "_blank", rel: "noopener" }, made("img", { src: `/result/${encodeURIComponent(one.name)}?${Date.now()}`, alt: one.says })), made("figcaption", {}, one.says))));
  if (desk.stale) tell("solve-told", "The run, or what is set aside, has changed since it was solved: solve it again.", true);
  for (const one of document.querySelectorAll(".needs-result")) one.disabled = !desk.solved;
  for (const one of document.querySelectorAll(".needs-words")) one.classList.toggle("hide", desk.solved);
  for (const one of document.querySelectorAll(".needs-link")) one.classList.toggle("hide", !desk.solved);
  by("entries-says").textContent = desk.entries ? "The run has a list of what the machine's system asks for: the sheet follows it." : "The run has no list of what the machine's system asks for: the sheet has this project's own quantities.";
}

async function act(told, doing, path, body, done) {
  tell(told, doing);
  try {
    const { answer } = await send(path, body);
    tell(told, done(answer));
    showResult(answer);
  } catch (error) {
    tell(told, error.message, true);
  }
}

by("solve").addEventListener("click", async () => {
  by("solve").disabled = true;
  await act("solve-told", "Solving and drawing ...", "/solve", {}, () => "Solved.");
  by("solve").disabled = false;
});

by("sheet").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = event.target.elements;
  act("sheet-told", "Drawing ...", "/sheet", { lengths: form.lengths.value, angles: form.angles.value }, () => "The sheet is made.");
});

by("entries").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (file) await act("entries-told", "Reading ...", "/entries", file, (answer) => ["Taken into the run; solve it again.", made("ul", {}, answer.determines.map((line) => made("li", {}, line)))]);
  event.target.value = "";
});

by("shown").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (!file) return;
  tell("confirm-told", "Comparing ...");
  try {
    const { answer } = await send("/confirm", file);
    tell("confirm-told", answer.agrees ? "\u25cf It agrees." : "\u25b2 It does not agree, or not all of it can be told.", !answer.agrees);
    by("confirmed").textContent = answer.says;
    by("confirmed").classList.remove("hide");
  } catch (error) {
    tell("confirm-told", error.message, true);
  }
  event.target.value = "";
});

async function take(files) {
  try {
    for (const file of files) {
      tell("import-told", `Taking in ${file.name} ...`);
      await send("/file", named(file));
    }
    propose((await send("/propose", {})).answer);
  } catch (error) {
    tell("import-told", error.message, true);
  }
}

// What the files seem to be, the questions that are open, and the button that writes.
function propose(proposal) {
  tell("import-told", proposal.doubtful ? `${proposal.doubtful} question${proposal.doubtful > 1 ? "s" : ""} open.` : "Nothing is doubtful.");
  const rows = Object.entries(proposal.files).map(([name, role]) => made("tr", {}, made("td", {}, name), made("td", {}, role || "?")));
  const replace = made("input", { type: "checkbox", id: "replace" });
  by("proposal").replaceChildren(
    made("table", {}, made("thead", {}, made("tr", {}, made("th", {}, "File"), made("th", {}, "taken as"))), made("tbody", {}, ...rows)),
    ...proposal.choices.map(question),
    ...(proposal.gives.length ? [made("h3", {}, "That gives"), made("ul", {}, ...proposal.gives.map((line) => made("li", {}, line)))] : []),
    made("label", {}, replace, " Rows that the run has already may be replaced"),
    made("div", { class: "row" },
      made("button", { type: "button", class: "main", id: "write", disabled: proposal.doubtful > 0, onclick: () => write(replace.checked) }, "Write it to the run"),
      made("button", { type: "button", onclick: forget }, "Let these files go")));
}

function question(choice, number) {
  const name = `choice-${number}`;
  const answers = choice.alternatives.map((says, k) => made("label", { class: "answer" },
    made("input", { type: "radio", name, checked: choice.sure && k === 0, onchange: () => answer({ about: choice.about, number: k }) }), ` ${says}`));
  const typed = choice.typed && !choice.alternatives.length ? made("input", { "aria-label": choice.about, onchange: (event) => answer({ about: choice.about, typed: event.target.value }) }) : null;
  const field = made("fieldset", {}, made("legend", {}, `${choice.sure ? "" : "Open: "}${choice.about}`), made("p", { class: "quiet" }, choice.why), ...answers, typed);
  if (!choice.sure) return field;
  return made("details", {}, made("summary", {}, `${choice.about}: ${choice.alternatives[0] ?? ""}`), field);
}

async function answer(body) {
  try { propose((await send("/answer", body)).answer); } catch (error) { tell("import-told", error.message, true); }
}

async function write(replace) {
  try {
    const said = await send("/import", { replace });
    by("proposal").replaceChildren(made("pre", {}, said.answer.says));
    tell("import-told", "Written to the run.");
  } catch (error) {
    tell("import-told", error.message, true);
  }
}

async function forget() {
  await send("/forget", {});
  by("proposal").replaceChildren();
  tell("import-told", "");
}

takesFiles(by("drop"), by("pick"), take);
showResult(JSON.parse(document.querySelector("main").dataset.view));
follow((view) => {
  by("aside-now").textContent = view.set_aside.length ? `Without ${view.set_aside.join(", ")}.` : "With everything that was noted.";
  tell("trouble", view.trouble.join(" "), true);
  showAside(view);
});
