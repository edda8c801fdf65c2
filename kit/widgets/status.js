// A line that screen readers announce. The element stays and only its text changes: else nothing is announced.
function render({ model, el }) {
  const line = document.createElement("div");
  line.className = "kit-say";
  line.setAttribute("role", "status");
  line.setAttribute("aria-live", "polite");
  const show = () => {
    line.classList.toggle("kit-problem", model.get("problem"));
    line.replaceChildren(
      ...model.get("text").split("\n").filter(Boolean).map((sentence) => {
        const paragraph = document.createElement("p");
        paragraph.textContent = sentence.replace(/ (?=[%±=]|s\b)|(?<==) /g, "\u00a0"); // keep signs and units on the line
        return paragraph;
      })
    );
  };
  model.on("change:text", show);
  model.on("change:problem", show);
  el.append(line);
  show();
}

export default { render };
