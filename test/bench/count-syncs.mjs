// Every sync of this process, whoever asks for it. Imported before anything that syncs, since that keeps the functions it finds.
import fs from 'node:fs'
import { open } from 'node:fs/promises'
import { syncBuiltinESMExports } from 'node:module'

export const counted = { syncs: 0 }

function countCallsOf(holder, name) {
  const original = holder[name]
  holder[name] = function (...args) {
    counted.syncs++
    return original.apply(this, args)
  }
}

for (const name of ['fdatasync', 'fsync', 'fdatasyncSync', 'fsyncSync']) countCallsOf(fs, name)
syncBuiltinESMExports()
const handle = await open(import.meta.filename)
for (const name of ['datasync', 'sync']) countCallsOf(Object.getPrototypeOf(handle), name)
await handle.close()
