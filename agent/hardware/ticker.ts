import type { Clock, MonoSeconds } from '../terms/terms.js'

const longestTimerMillis = 2 ** 31 - 1

/**
 * Calls `tick` at the moments `due` names, one timer at a time. A late timer makes one late call, never several.
 * `stop` takes effect at once.
 */
export function startTicker(clock: Clock, due: () => MonoSeconds, tick: () => void): { stop(): void } {
  let timer: NodeJS.Timeout | undefined
  let stopped = false
  const arm = (): void => {
    if (stopped) return
    const millis = Math.max(0, (due() - clock.mono()) * 1000)
    timer = setTimeout(fire, Math.min(longestTimerMillis, millis))
  }
  const fire = (): void => {
    tick()
    arm()
  }
  arm()
  return {
    stop: () => {
      stopped = true
      clearTimeout(timer)
    },
  }
}
