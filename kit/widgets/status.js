// A line that screen readers announce. The element stays and only its text changes: else nothing is announced.
function render({ model, el }) {
  const line = make("div", { class: "kit-say", role: "status", "aria-live": "polite" });
  const show = () => {
    line.classList.toggle("kit-problem", model.get("problem"));
    line.replaceChildren(...model.get("text").split("\n").filter(Boolean).map((sentence) => make("p", {}, unbroken(sentence))));
  };
  model.on("change:text", show);
  model.on("change:problem", show);
  el.append(line);
  show();
}

export default { render };
