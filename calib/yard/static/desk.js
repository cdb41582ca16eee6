import { by, made, send, tell } from "/static/page.js";

by("solve").addEventListener("click", async () => {
  by("solve").disabled = true;
  tell("solve-told", "Solving and drawing ...");
  try {
    const said = await send("/solve", {});
    tell("solve-told", said.answer.says);
    by("files").replaceChildren(...said.answer.files.map((name) => made("li", {}, made("a", { href: `/result/${encodeURIComponent(name)}`, target: "_blank", rel: "noopener" }, name))));
  } catch (error) {
    tell("solve-told", error.message, true);
  }
  by("solve").disabled = false;
});
