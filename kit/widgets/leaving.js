// A page is left by its link to the next one: on a shared machine its kernel then ends, if nothing runs in it and nothing
// on the page waits to be saved. What the student sees on coming back is said in words.
const REST_MS = 3000; // somebody who is back by then finds the page as it was
const SELDOM_MS = 300; // between two messages that say that the page is used

function render({ model, el }) {
  el.hidden = true;
  let told = -SELDOM_MS, later = 0;
  const panel = () => el.closest(".jp-NotebookPanel");
  setTimeout(() => panel()?.querySelectorAll(".kit-rests").forEach((words) => words.remove()));

  // The kernel gets this before what the use itself sends, so it knows which entries were saved after it.
  const tell = () => {
    clearTimeout(later);
    told = performance.now();
    later = 0;
    model.send({ used: true });
  };
  const onUse = (event) => {
    const output = event.target.closest?.(".jp-OutputArea");
    if (!output || !panel()?.contains(output) || event.target.closest("a, summary")) return;
    const presses = event.type === "pointerdown" || event.key === "Enter" || event.key === " "; // may be what saves
    if (presses || performance.now() - told > SELDOM_MS) tell();
    else later ||= setTimeout(tell, SELDOM_MS);
  };
  const onClick = (event) => {
    const link = event.target.closest?.(".jp-RenderedMarkdown a");
    if (!link || !panel()?.contains(link) || !link.closest("p").textContent.startsWith("Next:")) return;
    setTimeout(() => {
      if (!shown()) model.send({ left: true });
    }, REST_MS);
  };
  const shown = () => Boolean(panel()?.offsetParent);
  const onMessage = async ({ kernel, words }) => {
    const base = JSON.parse(document.getElementById("jupyter-config-data").textContent).baseUrl;
    await new Promise((done) => setTimeout(done, REST_MS / 10)); // the kernel has to be idle again after its answer
    const sessions = await (await fetch(`${base}api/sessions`)).json();
    const mine = sessions.find((session) => session.kernel?.id === kernel);
    if (!mine || mine.kernel.execution_state !== "idle" || mine.kernel.connections > 1 || shown()) return;
    const token = /(?:^|; )_xsrf=([^;]*)/.exec(document.cookie)?.[1] ?? "";
    const answer = await fetch(`${base}api/sessions/${mine.id}`, { method: "DELETE", headers: { "X-XSRFToken": token } });
    if (!answer.ok) return;
    const rests = document.createElement("div");
    rests.className = "kit-rests";
    rests.setAttribute("role", "status");
    rests.textContent = words;
    panel()?.append(rests);
  };

  const uses = ["pointerdown", "keydown", "input", "change"];
  uses.forEach((use) => document.addEventListener(use, onUse, true));
  document.addEventListener("click", onClick, true);
  model.on("msg:custom", onMessage);
  return () => {
    clearTimeout(later);
    uses.forEach((use) => document.removeEventListener(use, onUse, true));
    document.removeEventListener("click", onClick, true);
    model.off("msg:custom", onMessage);
  };
}

export default { render };
