// Appends and flushes without end, and says on standard output what it was given and what is safe, until it is killed.
const [, , agent, folder] = process.argv
const { openFolder } = await import(`${agent}/hardware/disk.js`)
const { openStore } = await import(`${agent}/store/store.js`)

const disk = await openFolder(folder, { create: true })
const opened = await openStore({
  disk: disk.value,
  station: 'hill',
  newStoreId: () => 'killed-again-and-again',
  linesPerFile: 50,
})
if (!opened.ok) throw new Error(opened.fault.detail)
const store = opened.value
for (let round = 0; ; round++) {
  const given = []
  for (let i = 0; i <= round % 7; i++)
    given.push(
      store.append((seq) => ({
        kind: 'event',
        seq,
        boot: '0a1b2c3d',
        mono: seq,
        name: 'note',
        details: { text: 'x'.repeat((seq * 37) % 500) },
      })),
    )
  process.stdout.write(`given ${given.join(' ')}\n`)
  const flushed = await store.flush()
  if (!flushed.ok) throw new Error(flushed.fault.detail)
  process.stdout.write(`safe ${store.safeSeq}\n`)
}
