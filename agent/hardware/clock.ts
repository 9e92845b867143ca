import { existsSync, openSync, readFileSync, readSync } from 'node:fs'
import { monoSeconds, utcMillis, type Clock, type MonoSeconds, type UtcView } from '../terms/terms.js'

/** What may vouch for the wall clock; see `clock.trust` in the settings. */
export type ClockTrust = 'auto' | 'system' | 'ntp-file' | 'none'

const longestTimerMillis = 2 ** 31 - 1
/** Made by the time service of systemd when the network has set the clock. */
export const usualNtpFile = '/run/systemd/timesync/synchronized'
const rtcFile = '/sys/class/rtc/rtc0/hctosys'

/**
 * Bounds of what each source promises, in seconds: common practice, no source. The network's is that of a client over a slow
 * link; a battery-backed clock strays a minute in some months, and nobody knows when it was set.
 */
const errorOf = { system: 1, ntp: 0.5, rtc: 60 } as const

/**
 * Boot time including sleep from /proc/uptime (two decimals); UTC from the wall clock, vouched for by what `trust` names. Nothing here
 * sets it: the station's own UTC follows its time checks, the board's clock is the system's affair.
 * The uptime file is opened once and read in place: about ten microseconds a look, no thread of the pool.
 */
export class SystemClock implements Clock {
  readonly bootId = readFileSync('/proc/sys/kernel/random/boot_id', 'utf8').trim()
  private readonly uptime = openSync('/proc/uptime', 'r')
  private readonly text = Buffer.alloc(64)

  constructor(
    private readonly trust: ClockTrust,
    private readonly ntpFile: string = usualNtpFile,
  ) {}

  mono(): MonoSeconds {
    const length = readSync(this.uptime, this.text, 0, 64, 0)
    return monoSeconds(parseFloat(this.text.toString('latin1', 0, length)))
  }

  utc(): UtcView {
    const source = this.source()
    return { at: utcMillis(Date.now()), source, errorSeconds: source ? errorOf[source] : Infinity }
  }

  private source(): keyof typeof errorOf | undefined {
    if (this.trust === 'none') return undefined
    if (this.trust === 'system') return 'system'
    if (existsSync(this.ntpFile)) return 'ntp'
    return this.trust === 'auto' && hasBatteryClock() ? 'rtc' : undefined
  }

  after(seconds: number): Promise<void> {
    const millis = Math.min(longestTimerMillis, Math.max(0, seconds * 1000))
    return new Promise((resolve) => setTimeout(resolve, millis))
  }
}

/** True when the kernel set the clock from a battery-backed one at boot. */
function hasBatteryClock(): boolean {
  try {
    return readFileSync(rtcFile, 'utf8').trim() === '1'
  } catch {
    return false
  }
}
