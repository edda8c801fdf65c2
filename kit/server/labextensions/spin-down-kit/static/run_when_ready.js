// "Run All" on a page whose kernel is still being started: JupyterLab drops the cells without a word, for a second or
// two after the page shows, longer on a busy server. Here they run as soon as the kernel is there.
(() => {
  const RUN_ALL = new Set(["notebook:run-all-cells", "runmenu:run-all"]);

  function activate(app) {
    const waiting = new WeakSet();
    app.commands.commandExecuted.connect(async (_, { id }) => {
      const panel = app.shell.currentWidget;
      const session = panel?.sessionContext;
      if (!RUN_ALL.has(id) || !session || session.isReady || waiting.has(panel)) return;
      waiting.add(panel);
      await Promise.all([panel.context.ready, session.ready]);
      waiting.delete(panel);
      if (panel.isDisposed || !session.session?.kernel) return; // closed meanwhile, or nobody chose a kernel
      app.shell.activateById(panel.id); // the command runs the page in front
      await app.commands.execute("notebook:run-all-cells");
    });
  }

  const plugin = { id: "spin-down-kit:run-when-ready", autoStart: true, activate };
  const container = { init: () => {}, get: async () => () => ({ __esModule: true, default: plugin }) };
  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB["spin-down-kit"] = container;
})();
