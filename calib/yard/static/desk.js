import { by, made, send, tell } from "/static/page.js";

by("solve").addEventListener("click", async () => {
  by("solve").disabled = true;
  tell("solve-told", "Solving and drawing ...");
  try {
    const said = await send("/solve", {});
    tell("solve-told", said.answer.says);
    showFiles(said.answer.files);
  } catch (error) {
    tell("solve-told", error.message, true);
  }
  by("solve").disabled = false;
});

function showFiles(names) {
  by("files").replaceChildren(...names.map((name) => made("li", {}, made("a", { href: `/result/${encodeURIComponent(name)}`, target: "_blank", rel: "noopener" }, name))));
}

by("sheet").addEventListener("click", async () => {
  try {
    showFiles((await send("/sheet", {})).answer.files);
    tell("solve-told", "The sheet is made.");
  } catch (error) {
    tell("solve-told", error.message, true);
  }
});

by("shown").addEventListener("change", async (event) => {
  const file = event.target.files[0];
  if (!file) return;
  tell("confirm-told", "Comparing ...");
  try {
    const { answer } = await send("/confirm", file);
    tell("confirm-told", answer.agrees ? "It agrees." : "It does not agree, or not all of it can be told.", !answer.agrees);
    by("confirmed").textContent = answer.says;
    by("confirmed").classList.remove("hide");
  } catch (error) {
    tell("confirm-told", error.message, true);
  }
});

async function take(files) {
  try {
    for (const file of files) {
      tell("import-told", `Taking in ${file.name} ...`);
      await send("/file", new Blob([file.name.replaceAll("\n", " ") + "\n", file]));
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

by("pick").addEventListener("change", (event) => take(event.target.files));
for (const kind of ["dragover", "dragleave", "drop"]) {
  by("drop").addEventListener(kind, (event) => {
    event.preventDefault();
    by("drop").classList.toggle("over", kind === "dragover");
    if (kind === "drop") take(event.dataTransfer.files);
  });
}
