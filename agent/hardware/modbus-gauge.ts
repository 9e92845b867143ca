import { bad, good, type Fault, type Gauge, type GaugeReading, type Outcome } from '../terms/terms.js'
import { noAnswer, type ModbusBus, type RegisterBlock } from './modbus-bus.js'

/** Where one channel stands in a device's registers. */
export interface RegisterChannel {
  readonly channel: string
  readonly table: 'input' | 'holding'
  /** As on the wire: the first register is 0. */
  readonly register: number
  readonly bits: 16 | 32
  readonly signed: boolean
  /** Which half of 32 bits stands in the lower register. */
  readonly firstWord: 'high' | 'low'
  /** Multiplies the raw number; the product is in the channel's unit. */
  readonly scale: number
}

/** Registers between two wanted ones that are read along rather than asked around. */
const widestGap = 16
/** Modbus Application Protocol Specification V1.1b3, section 6.3: at most 125 registers a request (from memory). */
const mostRegisters = 125

/** Battery and sun from a device's registers. What it does not say is missing, with its reason, never 0. */
export class ModbusGauge implements Gauge {
  private readonly blocks: readonly RegisterBlock[]
  private pending: Promise<readonly GaugeReading[]> | undefined

  constructor(
    private readonly bus: ModbusBus,
    private readonly address: number,
    private readonly channels: readonly RegisterChannel[],
  ) {
    this.blocks = blocksOf(channels)
  }

  get name(): string {
    return `${this.bus.name} device ${this.address}`
  }

  read(): Promise<readonly GaugeReading[]> {
    // A slow line is waited for, not asked twice.
    this.pending ??= this.readAll().finally(() => {
      this.pending = undefined
    })
    return this.pending
  }

  private async readAll(): Promise<readonly GaugeReading[]> {
    const values = new Map<string, Outcome<number>>()
    let silent: Fault | undefined
    for (const block of this.blocks) {
      const words = silent
        ? { ok: false as const, fault: silent }
        : await this.bus.readRegisters(this.address, block)
      // One silence is enough: further requests would each wait their second.
      if (!words.ok && endsReading(words.fault)) silent = words.fault
      for (const channel of this.channels)
        if (isIn(channel, block))
          values.set(channel.channel, words.ok ? valueOf(channel, block, words.value) : words)
    }
    return this.channels.map(({ channel }) => ({ channel, value: values.get(channel)! }))
  }
}

const endsReading = ({ code, detail }: Fault): boolean =>
  code !== 'gauge-missing' || detail.includes(noAnswer)

const wordsOf = ({ bits }: RegisterChannel): number => bits / 16

const isIn = (channel: RegisterChannel, { table, register, count }: RegisterBlock): boolean =>
  channel.table === table && channel.register >= register && channel.register < register + count

/** As few requests as serve all channels. */
export function blocksOf(channels: readonly RegisterChannel[]): RegisterBlock[] {
  const blocks: { table: 'input' | 'holding'; register: number; count: number }[] = []
  const sorted = [...channels].sort((a, b) => a.table.localeCompare(b.table) || a.register - b.register)
  for (const channel of sorted) {
    const { table, register } = channel
    const end = register + wordsOf(channel)
    const last = blocks.at(-1)
    const isNear =
      last?.table === table &&
      register - (last.register + last.count) <= widestGap &&
      end - last.register <= mostRegisters
    if (last && isNear) last.count = Math.max(last.count, end - last.register)
    else blocks.push({ table, register, count: wordsOf(channel) })
  }
  return blocks
}

function valueOf(channel: RegisterChannel, block: RegisterBlock, words: readonly number[]): Outcome<number> {
  const at = channel.register - block.register
  const parts = words.slice(at, at + wordsOf(channel))
  if (parts.length < wordsOf(channel))
    return bad('gauge-missing', `${channel.channel}: the answer is too short`)
  if (channel.firstWord === 'low') parts.reverse()
  const raw = parts.reduce((sum, word) => sum * 0x1_0000 + word, 0)
  const span = 2 ** channel.bits
  const number = channel.signed && raw >= span / 2 ? raw - span : raw
  return good(number * channel.scale)
}
