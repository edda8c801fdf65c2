// Cells that are run while a page's kernel is still being started: JupyterLab drops them, and asks for a kernel that is
// on its way, for a second or two after the page shows, longer on a busy server. Here they wait until it is there.
(() => {
  const RUN_ALL = ["notebook:run-all-cells", "runmenu:run-all"];
  const RUN_ONE = ["notebook:run-cell", "notebook:run-cell-and-select-next", "runmenu:run"];
  const WAIT = new Set([...RUN_ALL, ...RUN_ONE]);

  function activate(app) {
    const waiting = new WeakSet(); // pages on which all cells will be run already
    const execute = app.commands.execute.bind(app.commands);

    const ready = async (panel, id, args) => {
      if (RUN_ALL.includes(id)) {
        if (waiting.has(panel)) return null;
        waiting.add(panel);
      }
      await Promise.all([panel.context.ready, panel.sessionContext.ready]);
      waiting.delete(panel);
      if (panel.isDisposed) return null; // closed meanwhile
      app.shell.activateById(panel.id); // the command runs the page in front
      return execute(id, args);
    };

    app.commands.execute = (id, args) => {
      const panel = WAIT.has(id) ? app.shell.currentWidget : null;
      return panel?.context && panel.sessionContext?.isReady === false ? ready(panel, id, args) : execute(id, args);
    };
  }

  const plugin = { id: "spin-down-kit:run-when-ready", autoStart: true, activate };
  const container = { init: () => {}, get: async () => () => ({ __esModule: true, default: plugin }) };
  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB["spin-down-kit"] = container;
})();
