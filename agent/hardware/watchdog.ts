import { spawn, type ChildProcess } from 'node:child_process'

/** Fed so often in one watchdog time: twice in it, with room for a feed that is lost. */
const feedsAt = 0.4
const feedLimitMillis = 30_000

/** The service manager's watchdog: who does not feed it in time is killed and started anew. */
export interface Watchdog {
  /** The time in which a feed must come. */
  readonly withinSeconds: number
  readonly everySeconds: number
  /** Feeds it, unless a feed before is still under way. Returns at once. */
  feed(): void
}

/**
 * The watchdog of systemd, by what it tells a service in its environment (sd_notify(3), sd_watchdog_enabled(3)); undefined
 * where there is none or it waits for another process. Node has no datagram socket in the Unix domain, so the program
 * `systemd-notify` carries the message: a few milliseconds of CPU each, hence a long watchdog time in the unit.
 * @param onFailure told once why a feed could not be sent
 */
export function serviceWatchdog(
  environment: Readonly<Record<string, string | undefined>>,
  onFailure: (why: string) => void,
): Watchdog | undefined {
  const { NOTIFY_SOCKET: socket, WATCHDOG_USEC: micros, WATCHDOG_PID: owner, PATH: path } = environment
  const withinSeconds = Number(micros) / 1e6
  const isOurs = owner === undefined || Number(owner) === process.pid
  if (!socket || !(withinSeconds > 0) || !isOurs) return undefined
  let running: ChildProcess | undefined
  let told = false
  const failed = (why: string): void => {
    running = undefined
    if (!told) onFailure(why)
    told = true
  }
  const feed = (): void => {
    if (running) return
    const child = spawn('systemd-notify', ['WATCHDOG=1'], {
      stdio: 'ignore',
      timeout: feedLimitMillis,
      env: { NOTIFY_SOCKET: socket, PATH: path },
    })
    running = child
    child.once('error', (error) => failed(error.message))
    child.once('exit', (code) => {
      running = undefined
      if (code !== 0) failed(`systemd-notify ended with ${code ?? 'a signal'}`)
    })
  }
  return { withinSeconds, everySeconds: feedsAt * withinSeconds, feed }
}
