// A gate on a cable at this machine, while Python runs on another: the browser reads the port and passes on every byte.

function render({ model, el }) {
  const undo = [];
  const serial = navigator.serial;
  const { said, say, button } = pagePanel(el, "Your browser asks which cable it may read. It reads that one only, while you let it listen. What the gate sends goes to Python, and nothing else.");
  const go = button("Choose the cable and listen", () => start(), "kit-page-go");
  const halt = button("End this run now", () => stop("stopped"));
  el.append(make("div", { class: "kit-page-row" }, go, halt), said);
  let port = null, reader = null, opening = false;
  const link = pageLink(model, undo, "cable", () => show(), (refusal) => {
    close();
    if (refusal) say(refusal, true);
    else say("The run is over, and all of it is on the disk.");
    buttons();
  });
  function buttons() {
    [go.hidden, halt.hidden] = [link.on, !link.on];
    go.disabled = !serial || opening || link.on || link.ending;
    halt.disabled = !link.on;
  }
  function show() {
    const words = linkWords(link, "It listens. Give it a push; the run ends by itself when it rests.");
    if (words) say(...words);
    buttons();
  }
  async function start() {
    opening = true;
    buttons();
    try {
      port = await serial.requestPort(); // here the browser asks
      await port.open({ baudRate: model.get("baud") });
    } catch (error) {
      port = null;
      if (error.name === "NotFoundError") say(["No cable was chosen, so nothing is read.", OTHER_WAYS]);
      else if (error.name === "SecurityError") say(["The browser does not allow cables on this page. Ask who runs it.", OTHER_WAYS], true);
      else say([`This cable can't be opened (${error.message}).`, "Check that no other program uses it, and try again.", OTHER_WAYS], true);
      return;
    } finally {
      opening = false;
      buttons();
    }
    link.begin();
    show();
    await read(port);
  }
  async function read(from) {
    while (link.on && from.readable) { // a byte that came damaged ends a stream; the port gives another one
      reader = from.readable.getReader();
      try {
        for (;;) {
          const { value, done } = await reader.read();
          if (done) break;
          link.add(value);
        }
        break;
      } catch (error) {
        if (from.readable) link.note(`The browser read something damaged from the cable (${error.name}).`);
      } finally {
        reader.releaseLock();
        reader = null;
      }
    }
    if (port === from) stop("unplugged");
  }
  function stop(why) {
    link.end(why);
    close();
    buttons();
  }
  async function close() {
    const closing = port;
    port = null;
    try {
      await reader?.cancel();
      await closing?.close();
    } catch { /* a cable that was pulled can't be closed */ }
  }
  const lost = (event) => { if (event.target === port) stop("unplugged"); };
  serial?.addEventListener?.("disconnect", lost);
  undo.push(() => serial?.removeEventListener?.("disconnect", lost), close);
  const why = serial ? "yes" : window.isSecureContext ? "This browser can't read a cable. Chrome, Edge and Opera on a computer can."
    : "A browser reads a cable only on a page with https, or on this machine itself.";
  if (why !== "yes") say([why, "Or record the clicks of a card, tap along, or add the gate's log as a file."], true);
  model.send({ able: why });
  if (link.recover()) say("A run from before is still on this page. It goes to Python now.");
  buttons();
  return () => undo.forEach((f) => f());
}

export default { render };
