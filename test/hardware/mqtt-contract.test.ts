import { listenOnLoopback } from '../../agent/hardware/tcp-listener.js'
import { mqttBroker, usualMqtt } from '../../agent/hardware/mqtt-broker.js'
import { startEmbeddedBroker } from '../../agent/simulation/embedded-broker.js'
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import { brokerContract, type BrokerRig } from '../support/broker-contract.js'
import { faultyLink } from '../support/faulty-link.js'
import { hasMosquitto, startMosquitto } from '../support/mosquitto.js'

async function overTcp(protocol: 4 | 5, brokerPort: number, stop: () => Promise<void>): Promise<BrokerRig> {
  const link = await faultyLink(brokerPort)
  return {
    client: (clientId) =>
      mqttBroker({ ...usualMqtt, protocol, host: '127.0.0.1', port: link.port, clientId }),
    cut: () => link.cut(),
    stop: async () => {
      await link.close()
      await stop()
    },
  }
}

brokerContract('in memory', async () => {
  const broker = new MemoryBroker()
  return { client: (id) => broker.client(id), cut: () => broker.cut(), stop: async () => undefined }
})

brokerContract('MQTT 3.1.1, embedded', async () => {
  const broker = await startEmbeddedBroker(listenOnLoopback)
  return overTcp(4, broker.port, () => broker.close())
})

for (const protocol of [5, 4] as const)
  brokerContract(
    `MQTT ${protocol === 5 ? '5' : '3.1.1'}, mosquitto`,
    async () => {
      const broker = await startMosquitto()
      return overTcp(protocol, broker.port, () => broker.remove())
    },
    hasMosquitto,
  )
