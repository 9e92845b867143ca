import { join } from 'node:path'
import { Spool, type CollectorPorts } from '../collector/collector.js'
import { openFolder, type FolderDisk } from '../hardware/disk.js'
import { openArchive } from '../store/store.js'

/**
 * Archives in folders by station and store: `<folder>/<station>/<store id>`.
 * @param onOpened told each disk, for who will close them
 */
export function archivesIn(
  folder: string,
  onOpened: (disk: FolderDisk) => void = () => undefined,
): CollectorPorts['openArchive'] {
  return async ({ station, storeId }) => {
    const disk = await openFolder(join(folder, station, storeId), { create: true })
    if (disk.ok) onOpened(disk.value)
    return disk.ok ? openArchive({ disk: disk.value, storeId, station }) : disk
  }
}

/** What has arrived and is in no archive yet, at `<folder>/.spool`. */
export async function spoolIn(folder: string): ReturnType<typeof Spool.open> {
  const disk = await openFolder(join(folder, '.spool'), { create: true })
  return disk.ok ? Spool.open(disk.value) : disk
}
