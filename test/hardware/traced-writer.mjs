// Lives a short station's life on the disk that is named, and says what it asked of the disk: traced-writer.mjs AGENT FOLDER|memory
const [, , agent, place] = process.argv
const { openFolder } = await import(`${agent}/hardware/disk.js`)
const { stateFileOn } = await import(`${agent}/hardware/state-file.js`)
const { MemoryDisk } = await import(`${agent}/simulation/memory-disk.js`)
const { openStore } = await import(`${agent}/store/store.js`)

const disk = place === 'memory' ? new MemoryDisk() : (await openFolder(place, { create: true })).value
const asked = []
for (const operation of ['append', 'datasync', 'rename', 'truncate', 'remove', 'syncFolder']) {
  const plain = disk[operation].bind(disk)
  disk[operation] = async (path, more) => {
    const answer = await plain(path, more)
    if (answer.ok) asked.push(`${operation} ${operation === 'rename' ? `${path} ${more}` : path}`)
    return answer
  }
}
const sure = (outcome) => {
  if (!outcome.ok) throw new Error(`${outcome.fault.code}: ${outcome.fault.detail}`)
  return outcome.value
}
const options = { disk, station: 'hill', newStoreId: () => 'traced-store-0001', linesPerFile: 5 }
const store = sure(await openStore(options))
const state = stateFileOn(disk, 'state.json')
for (let hour = 1; hour <= 3; hour++) {
  for (let i = 0; i < 3; i++)
    store.append((seq) => ({
      kind: 'event',
      seq,
      boot: '0a1b2c3d',
      mono: seq,
      name: 'note',
      details: { hour: String(hour) },
    }))
  sure(await store.flush())
  sure(await store.seal())
  sure(await state.save({ hour }))
}
const { freeBytes, totalBytes } = disk
Object.assign(disk, {
  freeBytes: async () => ({ ok: true, value: 5e6 }),
  totalBytes: async () => ({ ok: true, value: 100e6 }),
})
sure(await store.makeRoom({ received: () => true }))
Object.assign(disk, { freeBytes, totalBytes })
sure(await disk.truncate('state.json', 3))
sure(await openStore(options))
process.stdout.write(JSON.stringify(asked))
