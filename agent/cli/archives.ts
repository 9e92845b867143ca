import { join } from 'node:path'
import type { CollectorPorts } from '../collector/collector.js'
import { openFolder } from '../hardware/disk.js'
import { openArchive } from '../store/store.js'

/** Archives in folders by station and store: `<folder>/<station>/<store id>`. */
export function archivesIn(folder: string): CollectorPorts['openArchive'] {
  return async ({ station, storeId }) => {
    const disk = await openFolder(join(folder, station, storeId), { create: true })
    return disk.ok ? openArchive({ disk: disk.value, storeId, station }) : disk
  }
}
