/** Seals what a station's store holds, and makes room in it; FORMAT.md, 'Seals' and 'Making room'. */
import { good, type Disk, type Line, type Outcome, type SigningKey } from '../terms/terms.js'
import type { ReadableFile, StoreReader } from './reader.js'
import { keyLinesOf, type MakeEvent } from './rotation.js'
import { hashOf, LinesHash, readGone, readSeal, sealedLine, type Gone, type Seal } from './seal.js'

/** What sealing needs of a store. */
export interface SealableStore {
  readonly storeId: string
  readonly safeSeq: number
  append(make: (seq: number) => Line): number
  flush(): Promise<Outcome<void>>
  readonly scan: StoreReader['scan']
  /** In order; the last is the one being written. */
  files(): readonly ReadableFile[]
  forget(name: string): void
}

export interface MakeRoomOptions {
  /** Whether all lines with these numbers are safe away. A station without a far end says yes to keep only the newest. */
  readonly received: (from: number, to: number) => boolean
  readonly key?: SigningKey
  /**
   * Makes the event line in which something is said again that goes with its file and still counts: which key handed over to
   * which. Absent: it is not.
   */
  readonly event?: MakeEvent
}

export interface MadeRoom {
  /** What was removed. */
  readonly gone: readonly Gone[]
  /** The disk is still fuller than it should be: nothing more may be removed. */
  readonly isShort: boolean
}

interface SaidGone {
  readonly said: Gone
  readonly text: string
}

/** A disk is full when so much of it is used. */
const fullShare = 0.9
/** Bounds the time of one call; what is left waits for the next. */
const mostSealsAtOnce = 32
const mostFilesAtOnce = 16

export class Sealer {
  /** The newest seal that is safe; undefined until somebody looked. */
  private newest: (Pick<Seal, 'last'> & { text?: string }) | undefined
  private finishedRemovals = false
  /** What is gone, without what later lines say again. */
  private gone: SaidGone[] = []
  private running: Promise<unknown> = Promise.resolve()

  constructor(
    private readonly store: SealableStore,
    private readonly disk: Disk,
  ) {}

  /** See Store.seal. */
  seal(key?: SigningKey): Promise<Outcome<readonly Seal[]>> {
    return this.inTurn(() => this.sealAll(key))
  }

  /** See Store.makeRoom. */
  makeRoom(options: MakeRoomOptions): Promise<Outcome<MadeRoom>> {
    return this.inTurn(() => this.removeOldest(options))
  }

  private inTurn<T>(work: () => Promise<T>): Promise<T> {
    const turn = this.running.then(work, work)
    this.running = turn.catch(() => undefined)
    return turn
  }

  private async sealAll(key?: SigningKey): Promise<Outcome<readonly Seal[]>> {
    // Only what is safe is sealed: a power cut may not make a seal say more than the disk holds.
    const flushed = await this.store.flush()
    if (!flushed.ok) return flushed
    const previous = await this.newestSeal()
    if (!previous.ok) return previous
    const made: Seal[] = []
    let { last: sealedTo, text } = previous.value
    // Until they are safe nobody knows what became of them: a failed flush lets the next call look at the disk.
    this.newest = undefined
    const parts = this.partsAfter(sealedTo)
    for (const part of parts) {
      const hashed = await this.hashed(part.first, part.last)
      if (!hashed.ok) return hashed
      if (hashed.value.onlySeals && !key && parts.length === 1) break
      const { count, hash } = hashed.value
      const seq = this.store.append((seq) => {
        const before = text === undefined ? {} : { sealHash: hashOf(text) }
        const line = sealedLine(
          { kind: 'seal', seq, ...part, count, hash, ...before },
          this.store.storeId,
          key,
        )
        text = line.text
        return line
      })
      made.push({ ...readSeal(text!)!, seq })
      sealedTo = part.last
    }
    const safe = await this.store.flush()
    if (!safe.ok) return safe
    this.newest = { last: sealedTo, text }
    return good(made)
  }

  /** One part for each file: a file that goes takes whole seals with it. */
  private partsAfter(sealedTo: number): { first: number; last: number }[] {
    const parts: { first: number; last: number }[] = []
    let first = sealedTo + 1
    for (const file of this.store.files()) {
      const last = Math.min(file.last, this.store.safeSeq)
      if (last < first || last < file.first) continue
      parts.push({ first, last })
      first = last + 1
    }
    return parts.slice(0, mostSealsAtOnce)
  }

  private async hashed(
    from: number,
    to: number,
  ): Promise<Outcome<{ count: number; hash: string; onlySeals: boolean; sealText?: string }>> {
    const hash = new LinesHash()
    let seals = 0
    let sealText: string | undefined
    const scanned = await this.store.scan(
      (view) => {
        const text = view.text()
        hash.add(text)
        if (!text.startsWith('seal,')) return
        seals++
        sealText = text
      },
      { from, to },
    )
    if (!scanned.ok) return scanned
    return good({ count: hash.count, hash: hash.hex(), onlySeals: seals === hash.count, sealText })
  }

  /** The newest seal on disk, found from the end. */
  private async newestSeal(): Promise<Outcome<NonNullable<Sealer['newest']>>> {
    if (this.newest) return good(this.newest)
    let found: (Pick<Seal, 'last'> & { text?: string }) | undefined
    for (const file of [...this.store.files()].reverse()) {
      const scanned = await this.store.scan(
        (view) => {
          const text = view.text()
          const seal = readSeal(text)
          if (seal) found = { last: seal.last, text }
        },
        { from: file.first, to: file.last, kind: 'seal' },
      )
      if (!scanned.ok) return scanned
      if (found) break
    }
    const [oldest] = this.store.files()
    return good((this.newest = found ?? { last: Math.max(0, (oldest?.first ?? 1) - 1) }))
  }

  // ---- room ---------------------------------------------------------------------------------------------------------

  private async removeOldest(options: MakeRoomOptions): Promise<Outcome<MadeRoom>> {
    const gone: Gone[] = []
    for (;;) {
      const short = await this.isShort()
      if (!short.ok) return short
      if (!short.value || gone.length === mostFilesAtOnce) return good({ gone, isShort: short.value })
      const finished = await this.finishRemovals()
      if (!finished.ok) return finished
      const removed = await this.removeOne(options)
      if (!removed.ok) return removed
      if (!removed.value) return good({ gone, isShort: true })
      gone.push(removed.value)
    }
  }

  private async isShort(): Promise<Outcome<boolean>> {
    const free = await this.disk.freeBytes()
    if (!free.ok) return free
    const total = await this.disk.totalBytes()
    return total.ok ? good(free.value < (1 - fullShare) * total.value) : total
  }

  /** The oldest file that is sealed whole and received whole; first it is said and safe that it goes, then it goes. */
  private async removeOne({ received, key, event }: MakeRoomOptions): Promise<Outcome<Gone | undefined>> {
    const sealedTo = await this.newestSeal()
    if (!sealedTo.ok) return sealedTo
    const file = this.store
      .files()
      .slice(0, -1)
      .find(({ first, last }) => first <= last && last <= sealedTo.value.last && received(first, last))
    if (!file) return good(undefined)
    // Until it is done nobody knows which of the lines about it are safe: after a failure the disk is looked at again.
    this.finishedRemovals = false
    const again = event ? await this.sayKeysAgain(file, event) : good(undefined)
    if (!again.ok) return again
    const said = await this.say(file, key)
    if (!said.ok) return said
    const flushed = await this.store.flush()
    // Not even this line finds room: then the file goes first, which is safe away, and the line is written after it.
    const isFull = !flushed.ok && flushed.fault.code === 'disk-full'
    if (!flushed.ok && !isFull) return flushed
    const removed = await this.remove(file.name, file.first)
    const finished = removed.ok && isFull ? await this.store.flush() : removed
    this.finishedRemovals = finished.ok
    return finished.ok ? said : finished
  }

  private async sayKeysAgain({ first, last }: ReadableFile, event: MakeEvent): Promise<Outcome<void>> {
    const lines = await keyLinesOf(this.store, { from: first, to: last })
    if (!lines.ok) return lines
    for (const { line, said } of lines.value)
      if (said.signed) this.store.append((seq) => event(seq, line.details))
    return good(undefined)
  }

  /** Appends the line about a file, and again those that go with it and that nothing else says. */
  private async say(
    { name, first, last }: ReadableFile,
    key: SigningKey | undefined,
  ): Promise<Outcome<Gone>> {
    const hashed = await this.hashed(first, last)
    if (!hashed.ok) return hashed
    const { count, hash, sealText } = hashed.value
    const before = this.gone.find(({ said }) => said.last === first - 1)
    const going = this.gone.filter(({ said }) => said.seq <= last && said.seq >= first)
    this.gone = this.gone.filter((one) => one !== before && !going.includes(one))
    for (const { said } of going) if (said !== before?.said) this.appendGone(said, key)
    const gone = this.appendGone(
      {
        ...{ kind: 'gone', first, last, count, hash, file: name, reason: 'full' },
        ...(sealText === undefined ? {} : { sealHash: hashOf(sealText) }),
        from: before?.said.from ?? first,
        ...(before === undefined ? {} : { goneHash: hashOf(before.text) }),
      },
      key,
    )
    return good(gone)
  }

  private appendGone(said: Omit<Gone, 'seq' | 'signed'>, key: SigningKey | undefined): Gone {
    let text = ''
    this.store.append((seq) => {
      const line = sealedLine({ ...said, seq }, this.store.storeId, key)
      text = line.text
      return line
    })
    const gone = readGone(text)!
    this.gone.push({ said: gone, text })
    return gone
  }

  /** With it go the files of the same first number of which nothing is believed. */
  private async remove(name: string, first: number): Promise<Outcome<void>> {
    const files = this.store.files().slice(0, -1)
    const together = files.filter((file) => file.name === name || (file.first === first && file.last < first))
    for (const file of together) {
      const removed = await this.disk.remove(file.name)
      if (!removed.ok && removed.fault.code !== 'disk-missing') return removed
      this.store.forget(file.name)
    }
    return this.disk.syncFolder('')
  }

  /**
   * What is gone; and a file that a gone line names and that is still there goes now: the power went off between saying and
   * removing.
   */
  private async finishRemovals(): Promise<Outcome<void>> {
    if (this.finishedRemovals) return good(undefined)
    this.gone = []
    const scanned = await this.store.scan(
      (view) => {
        const text = view.text()
        const said = readGone(text)
        if (said) this.add({ said, text })
      },
      { kind: 'gone' },
    )
    if (!scanned.ok) return scanned
    for (const { name, first, last } of this.store.files().slice(0, -1)) {
      const isGone = first <= last && this.gone.some(({ said }) => said.from <= first && last <= said.last)
      const removed = isGone ? await this.remove(name, first) : good(undefined)
      if (!removed.ok) return removed
    }
    this.finishedRemovals = true
    return good(undefined)
  }

  /** A later line that covers an earlier one says all that is needed. */
  private add(later: SaidGone): void {
    const { from, last } = later.said
    this.gone = this.gone.filter(({ said }) => said.from < from || said.last > last)
    this.gone.push(later)
  }
}
