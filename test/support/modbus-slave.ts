import type { PtyPair } from './pty.js'

/**
 * CRC-16 of Modbus over Serial Line V1.02, section 6.2.2 (from memory): preset FFFF, polynomial A001 reflected, low byte
 * sent first. Check values (from memory): FFFF-preset over '123456789' is 4B37; 02 07 gives 1241, sent as 41 12.
 */
export function crc16(bytes: Uint8Array): number {
  let crc = 0xffff
  for (const byte of bytes) {
    crc ^= byte
    for (let bit = 0; bit < 8; bit++) crc = crc & 1 ? (crc >> 1) ^ 0xa001 : crc >> 1
  }
  return crc
}

export const withCrc = (bytes: readonly number[]): Buffer => {
  const crc = crc16(Uint8Array.from(bytes))
  return Buffer.from([...bytes, crc & 0xff, crc >> 8])
}

export interface MadeSlave {
  address: number
  /** By function: 3 reads holding registers, 4 input registers. */
  registers: Record<3 | 4, Record<number, number>>
  mood: 'well' | 'silent' | 'wrong checksum' | 'noisy' | { exception: number }
  readonly requests: Buffer[]
  end(): void
}

/** Answers functions 3 and 4 at the far end of a pty pair. */
export function startSlave(pty: PtyPair): MadeSlave {
  let held = Buffer.alloc(0)
  const timer = setInterval(() => {
    held = Buffer.concat([held, pty.heard()])
    while (held.length >= 8) {
      const request = held.subarray(0, 8)
      held = held.subarray(8)
      slave.requests.push(Buffer.from(request))
      const answer = answerOf(slave, request)
      if (answer) pty.feed(answer)
    }
  }, 5)
  const slave: MadeSlave = {
    address: 1,
    registers: { 3: {}, 4: {} },
    mood: 'well',
    requests: [],
    end: () => clearInterval(timer),
  }
  return slave
}

function answerOf({ address, registers, mood }: MadeSlave, request: Buffer): Buffer | undefined {
  const isWhole = crc16(request.subarray(0, 6)) === request.readUInt16LE(6)
  if (mood === 'silent' || !isWhole || request[0] !== address) return undefined
  const code = request[1] as 3 | 4
  if (typeof mood === 'object') return withCrc([address, code | 0x80, mood.exception])
  const first = request.readUInt16BE(2)
  const words = Array.from({ length: request.readUInt16BE(4) }, (_, i) => registers[code][first + i] ?? 0)
  const answer = withCrc([
    address,
    code,
    2 * words.length,
    ...words.flatMap((word) => [word >> 8, word & 0xff]),
  ])
  if (mood === 'wrong checksum') answer[answer.length - 1] ^= 0x55
  return mood === 'noisy' ? Buffer.concat([Buffer.from([0x00, 0x7f, 0x03]), answer]) : answer
}
