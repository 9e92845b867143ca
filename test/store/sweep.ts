/**
 * Cuts the power after every operation of a scripted day in every way the disk in memory knows, again while the start after
 * it recovers, and looks at what is left each time.
 */
import { stateFileOn } from '../../agent/hardware/state-file.js'
import { MemoryDisk, type Cut } from '../../agent/simulation/memory-disk.js'
import { seededRandom } from '../../agent/simulation/random.js'
import { openStore, readGone, verifyFolder, type Store } from '../../agent/store/store.js'
import { canonicalLine } from '../../agent/terms/terms.js'
import { Journal, key, openOptions, scriptedDay } from './scripted-day.js'
import { record, set } from './support.js'

export interface SweepOptions {
  readonly hours: number
  /** Every so many bytes of an unsynced write; 1: at each. */
  readonly byteStep: number
  /** Orders in which sectors and names are kept, at most, for each operation. */
  readonly mostOrders: number
  readonly seed: number
}

export interface SweepCounts {
  operations: number
  /** Cuts, and distinct disks (SHA-256) they left; then the same of second cuts in a recovery. */
  cuts: number
  secondCuts: number
  readonly images: Set<string>
}

export async function sweep(options: SweepOptions): Promise<SweepCounts> {
  const counts: SweepCounts = { operations: 0, cuts: 0, secondCuts: 0, images: new Set() }
  const whole = new MemoryDisk()
  await scriptedDay(whole, new Journal(), options.hours)
  counts.operations = whole.operations
  if (whole.paths.includes('lines-000000000001.csv')) throw new Error('the scripted day removes no file')
  const random = seededRandom(options.seed)
  for (let at = 0; at <= whole.operations; at++) {
    const disk = new MemoryDisk()
    disk.powerFailsAfter = at
    const journal = new Journal()
    await scriptedDay(disk, journal, options.hours)
    for (const [words, cut] of cutsOf(disk, options, random.next)) {
      counts.cuts++
      await oneCut(disk, journal, cut, `operation ${at}, ${words}`, counts, random.next)
    }
  }
  return counts
}

async function oneCut(
  disk: MemoryDisk,
  journal: Journal,
  cut: Cut,
  words: string,
  counts: SweepCounts,
  random: () => number,
): Promise<void> {
  const left = disk.cut(cut)
  const image = left.image()
  if (counts.images.has(image)) return
  counts.images.add(image)
  await guarded(words, () => check(left.cut({ unsynced: 'kept' }), journal.copy()))
  const again = left.cut({ unsynced: 'kept' })
  const second = journal.copy()
  again.powerFailsAfter = 1 + Math.floor(random() * 8)
  const operations = again.powerFailsAfter
  await recovery(again, second)
  const cuts = cutsOf(again, { byteStep: 97, mostOrders: 3 }, random)
  const [secondWords, secondCut] = cuts[Math.floor(random() * cuts.length)]
  counts.secondCuts++
  const leftAgain = again.cut(secondCut)
  const imageAgain = leftAgain.image()
  if (counts.images.has(imageAgain)) return
  counts.images.add(imageAgain)
  await guarded(`${words}; then operation ${operations} of the recovery, ${secondWords}`, () =>
    check(leftAgain, second),
  )
}

async function guarded(words: string, work: () => Promise<void>): Promise<void> {
  try {
    await work()
  } catch (error) {
    throw new Error(`${words}: ${(error as Error).message}`, { cause: error })
  }
}

/** Ways in which the power can go now, with words for each. */
export function cutsOf(
  disk: MemoryDisk,
  { byteStep, mostOrders }: Pick<SweepOptions, 'byteStep' | 'mostOrders'>,
  random: () => number,
): [string, Cut][] {
  const ways: [string, Cut][] = [
    ['unsynced lost', { unsynced: 'lost' }],
    ['unsynced kept', { unsynced: 'kept' }],
  ]
  const { bytes, sectors, names } = disk.unsynced()
  for (let keptBytes = 0; keptBytes < bytes; keptBytes += byteStep)
    for (const rest of ['missing', 'zeros'] as const)
      ways.push([`torn after ${keptBytes} bytes, the rest ${rest}`, { unsynced: 'torn', keptBytes, rest }])
  if (sectors + names === 0) return ways
  const all = 2 ** (sectors + names)
  for (let order = 0; order < Math.min(all, mostOrders); order++) {
    const mask = all <= mostOrders ? order : Math.floor(random() * all)
    for (const size of ['none', 'kept', 'all'] as const)
      ways.push([`order ${mask}, size ${size}`, { unsynced: 'mixed', ...kept(mask, sectors), size }])
  }
  return ways
}

/** A bit for each unsynced sector, then one for each name. */
function kept(mask: number, sectors: number): Pick<Cut & { unsynced: 'mixed' }, 'sectors' | 'names'> {
  const order = new Map<string, number>()
  const bit = (n: number): boolean => Math.floor(mask / 2 ** n) % 2 === 1
  return {
    sectors: (path, sector) => {
      const at = `${path} ${sector}`
      if (!order.has(at)) order.set(at, order.size)
      return bit(order.get(at)!)
    },
    names: (_, index) => bit(sectors + index),
  }
}

/** What a start does: opens, writes a record, and saves. */
async function recovery(disk: MemoryDisk, journal: Journal): Promise<Store | undefined> {
  journal.start()
  const opened = await openStore({ disk, ...openOptions })
  if (!opened.ok) return undefined
  const store = opened.value
  const given = store.append((seq) => {
    if (journal.safe.has(seq)) throw new Error(`number ${seq} is used again`)
    const line = { ...record(seq), boot: 'ffffffff' }
    journal.wrote(seq, canonicalLine(line, set))
    return line
  }, set)
  if ((await store.flush()).ok && store.safeSeq >= given) journal.settle(store)
  return store
}

/** Nothing that was safe is lost, nothing else is believed, each number is there once or said to be nowhere. */
async function check(disk: MemoryDisk, journal: Journal): Promise<void> {
  const store = await recovery(disk, journal)
  if (!store) throw new Error('the store does not open')
  const found = await store.lines(0, Number.MAX_SAFE_INTEGER)
  if (!found.ok) throw new Error(found.fault.detail)
  const texts = new Map<number, string>()
  const accounted = new Set<number>()
  const account = (from: number, to: number): void => {
    for (let seq = from; seq <= to; seq++) {
      if (texts.has(seq)) throw new Error(`${seq} is there, and said to be nowhere`)
      accounted.add(seq)
    }
  }
  for (const { line, text } of found.value) {
    if (texts.has(line.seq)) throw new Error(`${line.seq} is there twice`)
    texts.set(line.seq, text)
    if (!isOwn(text) && !journal.appended.get(line.seq)?.has(text))
      throw new Error(`${text} was never appended`)
  }
  for (const { line, text } of found.value) {
    if (line.kind === 'skip') account(line.from, line.to)
    const gone = readGone(text)
    if (gone && !disk.paths.includes(gone.file)) account(gone.from, gone.last)
  }
  for (const [seq, text] of journal.safe)
    if (texts.has(seq) ? texts.get(seq) !== text : !accounted.has(seq) || !isGone(seq, found.value))
      throw new Error(`${seq} was safe and is lost`)
  for (let seq = 1; seq <= store.safeSeq; seq++)
    if (!texts.has(seq) && !accounted.has(seq)) throw new Error(`${seq} is unaccounted for`)
  await checkFolder(disk, store, journal)
}

/** Lines that the store makes itself. */
const isOwn = (text: string): boolean => /^(skip|seal|gone),/.test(text)

/** A safe line may be away only where a gone line says so: no skip line may cover it. */
const isGone = (seq: number, lines: readonly { text: string }[]): boolean =>
  lines.some(({ text }) => {
    const gone = readGone(text)
    return gone !== undefined && gone.from <= seq && seq <= gone.last
  })

/** The next seal covers all of it, a verification finds nothing but explained traces, and the checkpoint is one of two. */
async function checkFolder(disk: MemoryDisk, store: Store, journal: Journal): Promise<void> {
  const sealed = await store.seal(key)
  if (!sealed.ok) throw new Error(sealed.fault.detail)
  const verified = await verifyFolder(disk)
  if (!verified.ok) throw new Error(verified.fault.detail)
  if (verified.value.problems > 0) throw new Error(verified.value.findings[0].words)
  const state = await stateFileOn(disk, 'state.json').load()
  const n = state.ok && state.value !== undefined ? (state.value as { n: number }).n : 0
  if (n < journal.saved || n > journal.begun)
    throw new Error(`checkpoint ${n} of ${journal.saved} to ${journal.begun}`)
}
