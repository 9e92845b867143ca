import type { Message, MonoSeconds } from '../terms/terms.js'
import type { Ledger } from './ledger.js'
import type { UplinkOptions, UplinkPorts } from './options.js'
import { readReceipt, twinFault } from './receipt.js'
import { topicOf } from './topics.js'

/** The collector's receipts as they come: into the ledger, and what they say of a second store of this name. */
export class ReceiptHearing {
  /** Of the newest. */
  at: MonoSeconds | undefined

  constructor(
    private readonly options: UplinkOptions,
    private readonly ledger: Ledger,
    private readonly ports: UplinkPorts,
  ) {}

  get topic(): string {
    return topicOf(this.options.group, this.options.station, 'receipt')
  }

  hear({ payload }: Message, now: MonoSeconds): void {
    const { store, faults } = this.ports
    const receipt = readReceipt(payload, store.storeId)
    if (!receipt) return
    this.at = now
    this.ledger.receipt(receipt)
    const twins = twinFault(payload, store.storeId)
    if (twins) faults.raise(twins)
    faults.clear('receipt-missing', ...(twins ? [] : (['store-twins'] as const)))
  }
}
