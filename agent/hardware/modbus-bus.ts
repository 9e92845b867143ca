import { bad, good, type LineFactory, type Outcome } from '../terms/terms.js'
import { withLimit } from './limit.js'
import { ModbusPort } from './modbus-port.js'
import { PatientLine } from './patient-line.js'

export interface RegisterBlock {
  readonly table: 'input' | 'holding'
  /** As on the wire: the first register is 0. */
  readonly register: number
  readonly count: number
}

/** In the words of a device that said nothing. */
export const noAnswer = 'no answer'
const answerLimitSeconds = 1

/** Modbus Application Protocol Specification V1.1b3, section 7 (from memory). */
const exceptions: Readonly<Record<number, string>> = {
  1: 'it does not know this kind of request (exception 1, illegal function)',
  2: 'it has no such register (exception 2, illegal data address): look at the layout',
  3: 'it refuses so many registers at once (exception 3, illegal data value)',
  4: 'it failed (exception 4, device failure)',
  5: 'it needs more time (exception 5, acknowledge)',
  6: 'it is busy (exception 6)',
  8: 'its memory failed (exception 8, parity error)',
  10: 'the gateway has no path to it (exception 10)',
  11: 'the gateway gets no answer from it (exception 11)',
}

/** What is used of the library's client (modbus-serial 8.0.25). */
interface Client {
  open(callback: () => void): void
  setID(address: number): void
  setTimeout(milliseconds: number): void
  readInputRegisters(register: number, count: number): Promise<{ data: number[] }>
  readHoldingRegisters(register: number, count: number): Promise<{ data: number[] }>
}

interface Open {
  readonly port: ModbusPort
  readonly client: Client
}

/** One port on which several devices are asked, one request at a time. The library is loaded with the first request. */
export class ModbusBus {
  private readonly line: PatientLine
  private opened: Open | undefined
  private queue: Promise<unknown> = Promise.resolve()
  private isClosed = false

  constructor(factory: LineFactory, nowSeconds?: () => number) {
    this.line = new PatientLine(factory, nowSeconds)
  }

  get name(): string {
    return this.line.name
  }

  /** Registers of one device, in one request. Faults: port-*, gauge-missing with what the device said. */
  readRegisters(address: number, block: RegisterBlock): Promise<Outcome<readonly number[]>> {
    const asked = this.queue.then(() => this.ask(address, block))
    this.queue = asked.catch(() => undefined)
    return asked
  }

  /** For good: what waits is not asked any more. */
  async close(): Promise<void> {
    this.isClosed = true
    await this.queue
    await this.drop()
  }

  private async drop(): Promise<void> {
    this.opened?.port.rest()
    this.opened = undefined
    await this.line.close()
  }

  private async ask(address: number, block: RegisterBlock): Promise<Outcome<readonly number[]>> {
    if (this.isClosed) return bad('port-gone', this.name)
    const open = await this.open()
    if (!open.ok) return open
    const { client, port } = open.value
    const { register, count, table } = block
    client.setID(address)
    client.setTimeout(answerLimitSeconds * 1000)
    try {
      const read =
        table === 'input'
          ? client.readInputRegisters(register, count)
          : client.readHoldingRegisters(register, count)
      const answer = await withLimit(read, answerLimitSeconds + 1)
      return answer === 'late' ? this.unanswered(address, port) : good(answer.data)
    } catch (error) {
      return this.faultOf(error, address, port)
    } finally {
      port.rest()
      if (port.isLost) await this.drop()
    }
  }

  private faultOf(error: unknown, address: number, port: ModbusPort): Outcome<never> {
    const { modbusCode, errno, message } = error as Error & { modbusCode?: number; errno?: string }
    if (port.isLost || errno === 'ETIMEDOUT') return this.unanswered(address, port)
    const isChecksum = message === 'CRC error'
    const words =
      modbusCode !== undefined
        ? (exceptions[modbusCode] ?? `exception ${modbusCode}`)
        : isChecksum
          ? 'an answer with a wrong checksum (long wire, other baud rate?)'
          : message
    return bad('gauge-missing', `${this.name} device ${address}: ${words}`)
  }

  private unanswered(address: number, port: ModbusPort): Outcome<never> {
    if (port.isLost) return bad('port-gone', this.name)
    const heard = port.heardBytes > 0 ? `, though ${port.heardBytes} other bytes came` : ''
    return bad(
      'gauge-missing',
      `${this.name} device ${address}: ${noAnswer}${heard} (address, baud rate, wires A and B?)`,
    )
  }

  private async open(): Promise<Outcome<Open>> {
    if (this.opened) return good(this.opened)
    const line = await this.line.open()
    if (!line.ok) return line
    const port = new ModbusPort(line.value)
    this.opened = { port, client: await clientOn(port) }
    return good(this.opened)
  }
}

/** Loaded only here: a station without such a device does not pay for the library. */
async function clientOn(port: ModbusPort): Promise<Client> {
  const loaded = (await import('modbus-serial')) as unknown as { default: new (port: ModbusPort) => Client }
  const client = new loaded.default(port)
  await new Promise<void>((resolve) => client.open(() => resolve()))
  return client
}
