/**
 * A station's uplink with the real MQTT client, on a real or a faulty broker, in made time: sockets have their own limits,
 * everything that is counted in minutes and hours passes as fast as the test wants.
 */
import { mqttBroker, usualMqtt, type MqttOptions } from '../../agent/hardware/mqtt-broker.js'
import { monoSeconds, type MonoSeconds } from '../../agent/terms/terms.js'
import { Uplink, type UplinkOptions } from '../../agent/uplink/uplink.js'
import { madeBoot, repeatable } from './made-lines.js'
import { FaultLog, made, MadeStore } from './uplink-rig.js'

export class LinkRig {
  readonly store = new MadeStore()
  readonly faults = new FaultLog()
  readonly uplink: Uplink
  now = 1000 as MonoSeconds

  constructor(port: number, mqtt: Partial<MqttOptions> = {}, options: Partial<UplinkOptions> = {}) {
    const broker = mqttBroker({
      ...usualMqtt,
      host: '127.0.0.1',
      port,
      clientId: 'st-1',
      answerLimitSeconds: 5,
      connectLimitSeconds: 5,
      ...mqtt,
    })
    const { store, faults } = this
    const ports = { broker, store, faults, random: { next: repeatable(7) }, boot: madeBoot }
    this.uplink = new Uplink({ ...made, ...options }, ports)
  }

  /** So many event lines, safe. */
  lines(count: number): void {
    for (let n = 0; n < count; n++) this.store.event(this.store.newest)
    this.uplink.safeUpTo(this.store.newest)
  }

  /** Time goes on by so many seconds in steps; after each, everything that is in flight comes to its end. */
  async live(seconds: number, stepSeconds = 60): Promise<void> {
    for (const end = this.now + seconds; this.now < end;) {
      this.now = monoSeconds(Math.min(end, this.now + stepSeconds))
      this.uplink.step(this.now)
      await this.settled()
    }
  }

  async settled(): Promise<void> {
    do {
      await this.uplink.settled()
      await new Promise((resolve) => setImmediate(resolve))
    } while (this.uplink.busy)
  }

  async end(): Promise<void> {
    await this.uplink.stop(this.now)
    await this.settled()
  }
}
