// Preloaded into the agent: an hour is over in five seconds for timers of two hours and more, which only trials of settings are.
const plain = globalThis.setTimeout
const least = 2 * 3600 * 1000
globalThis.setTimeout = Object.assign(
  (work, millis, ...more) =>
    plain(work, millis >= least && millis < 2 ** 31 - 1 ? millis / 720 : millis, ...more),
  plain,
)
