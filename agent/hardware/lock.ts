import { statSync } from 'node:fs'
import { createServer, type Server } from 'node:net'
import { bad, good, type Outcome } from '../terms/terms.js'

/**
 * The single-writer lock of a data folder: a socket name in the kernel's abstract space, made from the folder's device
 * and inode. The kernel drops it with the process, however that ends, so no stale lock is ever left on the card; a
 * folder reached by two paths is one folder.
 */
export function lockFolder(folder: string): Promise<Outcome<{ release(): void }>> {
  const { dev, ino } = statSync(folder)
  return new Promise((resolve) => {
    const server: Server = createServer((socket) => socket.destroy())
    server.once('error', () => resolve(bad('store-in-use', folder)))
    server.listen(`\0motepost-${dev}-${ino}`, () => {
      server.unref()
      resolve(good({ release: () => void server.close() }))
    })
  })
}
