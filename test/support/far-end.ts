/** A station's far end in memory: a broker, a collector, and real archives on disks in memory. */
import { Collector, usualCollector, type CollectorPorts } from '../../agent/collector/collector.js'
import { MemoryBroker } from '../../agent/simulation/memory-broker.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import type { StationPorts } from '../../agent/station/station.js'
import { openArchive, type Archive, type Store } from '../../agent/store/store.js'
import { bootWord, type Fault, type FaultCode, type MonoSeconds } from '../../agent/terms/terms.js'
import { Uplink, usualUplink, type UplinkOptions } from '../../agent/uplink/uplink.js'
import { repeatable } from './made-lines.js'

export class FarEnd {
  readonly broker = new MemoryBroker()
  readonly archives = new Map<string, { readonly disk: MemoryDisk; readonly archive: Archive }>()
  readonly collectorFaults: Fault[] = []
  /** The codes that its health messages have named. */
  readonly toldFaults = new Set<FaultCode>()
  readonly collector: Collector

  constructor(
    private readonly options: Partial<UplinkOptions> = {},
    ports: Partial<CollectorPorts> = {},
  ) {
    this.collector = new Collector(
      { ...usualCollector, group: 'rig' },
      {
        broker: this.broker.client('collector'),
        random: { next: repeatable(2) },
        faults: { raise: (fault) => void this.collectorFaults.push(fault), clear: () => undefined },
        openArchive: async ({ storeId, station }) => {
          const disk = new MemoryDisk(`archive of ${storeId}`)
          const opened = await openArchive({ disk, storeId, station })
          if (opened.ok) this.archives.set(storeId, { disk, archive: opened.value })
          return opened
        },
        ...ports,
      },
    )
    this.broker.onPublish = ({ topic, payload }) => {
      if (!topic.endsWith('/health')) return
      const health = JSON.parse(new TextDecoder().decode(payload)) as { faults: Fault[] }
      for (const { code } of health.faults) this.toldFaults.add(code)
    }
  }

  uplinkOf(store: Store, bootId: string): StationPorts['makeUplink'] {
    const broker = this.broker.client('rig')
    const options = { ...usualUplink, group: 'rig', station: 'rig', packEverySeconds: 600, ...this.options }
    const random = { next: repeatable(1) }
    return (faults) => new Uplink(options, { broker, store, random, boot: bootWord(bootId), faults })
  }

  /** Lets the collector do what is due; resolves when nothing is in flight there. */
  async step(now: MonoSeconds): Promise<void> {
    this.collector.step(now)
    await this.collector.settled()
  }
}
