/** The retained messages of a station: the newest of each, and whether the broker has it. */

interface Kept {
  payload: Uint8Array
  state: 'to-send' | 'sending' | 'sent' | 'refused'
}

/** Averages, health, alive, and one for each alert rule. */
const mostTopics = 100

export class RetainedMessages {
  private readonly kept = new Map<string, Kept>()
  private refusals = 0
  /** Not kept because there were too many topics. */
  private overflow = 0

  /** Replaces what was there; an equal payload that the broker has already is not sent again unless so wished. */
  put(what: string, payload: Uint8Array, wish?: 'again'): void {
    const before = this.kept.get(what)
    if (!before && this.kept.size >= mostTopics) this.overflow++
    else if (!before || wish === 'again' || !equal(before.payload, payload))
      this.kept.set(what, { payload, state: 'to-send' })
  }

  /** A broker that was restarted may have forgotten: on a new connection everything goes again. */
  connected(): void {
    for (const message of this.kept.values()) message.state = 'to-send'
  }

  /** Alerts before everything else, then in the order they were first put. */
  next(): { what: string; payload: Uint8Array } | undefined {
    const waiting = [...this.kept].filter(([, message]) => message.state === 'to-send')
    const [what, message] = waiting.find(([name]) => name.startsWith('alerts/')) ?? waiting[0] ?? []
    if (what === undefined || message === undefined) return undefined
    message.state = 'sending'
    return { what, payload: message.payload }
  }

  /** The answer for one that `next` gave; nothing changes if it was replaced meanwhile. */
  settled(what: string, payload: Uint8Array, answer: 'sent' | 'refused' | 'again'): void {
    if (answer === 'refused') this.refusals++
    const message = this.kept.get(what)
    if (message?.payload === payload) message.state = answer === 'again' ? 'to-send' : answer
  }

  get waiting(): number {
    let n = 0
    for (const message of this.kept.values()) if (message.state === 'to-send') n++
    return n
  }

  get anyRefused(): boolean {
    return [...this.kept.values()].some((message) => message.state === 'refused')
  }

  get refused(): number {
    return this.refusals + this.overflow
  }
}

const equal = (a: Uint8Array, b: Uint8Array): boolean =>
  a.length === b.length && a.every((byte, i) => byte === b[i])
