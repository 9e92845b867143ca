/** Acknowledges messages of QoS 1 in the order in which they came (MQTT 5, 4.6.0-2), each when it may be. */
import type { IPublishPacket, MqttClient } from 'mqtt'

/** The same in MQTT 3.1.1 and 5: a reason code left out is success. */
const puback = (id: number): Uint8Array => Uint8Array.of(0x40, 2, id >> 8, id & 0xff)

export class Acknowledgements {
  private last: Promise<unknown> = Promise.resolve()
  private waiting = 0
  private taking: Promise<void> | void = undefined

  /** @param write whole packets, as long as the connection is open */
  constructor(
    client: MqttClient,
    private readonly write: (bytes: Uint8Array) => void,
  ) {
    // An error in place of an acknowledgement: the client sends none and goes on with the next packet.
    client.handleMessage = ({ qos, messageId }: IPublishPacket, next) =>
      next(qos === 1 && this.comesLater(messageId!) ? new Error('later') : undefined)
  }

  /** To be told of each message before the client asks what to do with it: its event comes first. */
  taken(taking: Promise<void> | void): void {
    this.taking = taking
  }

  private comesLater(id: number): boolean {
    const { taking } = this
    this.taking = undefined
    if (!taking && this.waiting === 0) return false
    this.waiting++
    this.last = Promise.all([this.last, taking]).then(() => {
      this.waiting--
      this.write(puback(id))
    })
    return true
  }
}
