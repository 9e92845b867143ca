/** Receipts on their way to the broker: the newest of each station, so many at a time. */
import type { BrokerSession, Outcome } from '../terms/terms.js'
import { topicOf } from '../uplink/uplink.js'
import type { CollectorPorts } from './options.js'

const mostInFlight = 8

export class Receipts {
  /** Stations whose receipt is not yet, or not any more, what the broker has. */
  private readonly waiting = new Set<string>()
  private inFlight = 0
  private session: BrokerSession | undefined

  /** @param receiptOf the receipt of a station as it is now */
  constructor(
    private readonly group: string,
    private readonly faults: CollectorPorts['faults'],
    private readonly track: (work: Promise<unknown>) => void,
    private readonly receiptOf: (station: string) => Uint8Array,
  ) {}

  due(stations: Iterable<string>): void {
    for (const station of stations) this.waiting.add(station)
  }

  tell(session: BrokerSession | undefined): void {
    this.session = session
    if (!session) return
    for (const station of this.waiting) {
      if (this.inFlight >= mostInFlight) return
      this.inFlight++
      this.waiting.delete(station)
      const topic = topicOf(this.group, station, 'receipt')
      this.track(
        session.publish(topic, this.receiptOf(station), { retain: true }).then((answer) => {
          this.inFlight--
          this.answered(station, answer)
        }),
      )
    }
  }

  private answered(station: string, answer: Outcome<void>): void {
    if (answer.ok) {
      this.faults.clear('broker-refused', 'broker-silent')
      return this.tell(this.session)
    }
    if (answer.fault.code === 'broker-silent') this.waiting.add(station)
    if (answer.fault.code !== 'link-lost') this.faults.raise(answer.fault)
  }
}
