/**
 * Looks at the fixed header of each packet that comes from a broker (MQTT 5, 2.1; the same in 3.1.1), before the client library
 * gathers it: the library holds whatever length a header promises, 256 MB at most, and keeps a message of QoS 2 until the broker
 * lets go of it. We ask for neither.
 */

/** Above the largest that any of ours sends: a pack of 1 MiB with its topic. A broker that speaks MQTT 5 is told. */
export const largestPacketBytes = 2 << 20

const publish = 3
/** Reserved by the standard. */
const noPacket = 0
const longestLengthBytes = 4

export class PacketGuard {
  private state: 'type' | 'length' | 'body' = 'type'
  private length = 0
  private lengthBytes = 0
  private left = 0

  constructor(private readonly mostBytes = largestPacketBytes) {}

  /** @returns why the connection cannot go on; undefined while it may */
  take(bytes: Uint8Array): string | undefined {
    for (let at = 0; at < bytes.length;) {
      if (this.state === 'body') {
        const taken = Math.min(this.left, bytes.length - at)
        at += taken
        this.left -= taken
        if (this.left === 0) this.state = 'type'
        continue
      }
      const wrong = this.state === 'type' ? this.type(bytes[at++]) : this.lengthByte(bytes[at++])
      if (wrong !== undefined) return wrong
    }
    return undefined
  }

  private type(byte: number): string | undefined {
    const [kind, qos] = [byte >> 4, (byte >> 1) & 3]
    if (kind === noPacket) return 'what came is no packet of MQTT'
    if (kind === publish && qos > 1) return 'the broker sent a message of QoS 2, which nobody asked for'
    this.state = 'length'
    this.length = this.lengthBytes = 0
    return undefined
  }

  private lengthByte(byte: number): string | undefined {
    this.length += (byte & 0x7f) * 128 ** this.lengthBytes++
    const goesOn = byte >= 0x80
    if (goesOn && this.lengthBytes === longestLengthBytes) return 'the length of a packet has no end'
    if (goesOn) return undefined
    if (this.length > this.mostBytes)
      return `the broker sent a packet of ${this.length} bytes, at most ${this.mostBytes} are taken`
    this.left = this.length
    this.state = this.length === 0 ? 'type' : 'body'
    return undefined
  }
}
