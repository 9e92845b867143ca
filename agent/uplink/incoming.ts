import type { BrokerSession, Message, MonoSeconds, Will } from '../terms/terms.js'
import type { Announcements } from './announcements.js'
import { CommandLine } from './command-line.js'
import type { Ledger } from './ledger.js'
import type { UplinkOptions, UplinkPorts } from './options.js'
import { ReceiptHearing } from './receipt-hearing.js'

/** What comes in from the broker: the topics that a connection asks for, and who takes a message of each. */
export class Incoming {
  private readonly receipts: ReceiptHearing
  /** Commands that come, and answers to them. */
  readonly commands: CommandLine

  constructor(
    private readonly options: UplinkOptions,
    ports: UplinkPorts,
    ledger: Ledger,
    private readonly announcements: Announcements,
    onAnswer: () => void,
  ) {
    this.receipts = new ReceiptHearing(options, ledger, ports)
    this.commands = new CommandLine(options, onAnswer)
  }

  request(): { subscribe: string[]; wish?: string; commands?: string; will: Will } {
    const { will, topic } = this.announcements
    const commands = this.commands.topic
    // With a collector its receipts are the proof that messages get through, without one the own message is.
    return this.options.receipts === 'required'
      ? { subscribe: [this.receipts.topic], commands, will }
      : { subscribe: [], wish: topic, commands, will }
  }

  connected(session: BrokerSession): void {
    this.commands.heard = session.hearsCommands === true
  }

  take(message: Message, now: MonoSeconds): void {
    if (message.topic === this.announcements.topic) return this.announcements.hear(message, now)
    if (this.commands.hear(message)) return
    if (message.topic === this.receipts.topic) this.receipts.hear(message, now)
  }

  get receiptAt(): MonoSeconds | undefined {
    return this.receipts.at
  }
}
