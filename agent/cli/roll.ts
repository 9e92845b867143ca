/** Which stations a collector ought to hear, whatever it heard so far: by the register, by the archive, by what people were told. */
import { readdirSync, statSync } from 'node:fs'
import { join } from 'node:path'
import type { Roll } from '../collector/collector.js'
import type { RegisteredStation } from '../settings/settings.js'
import { utcText, type UtcMillis } from '../terms/terms.js'
import { loadRegister, registerFile } from './register-file.js'

/** A station whose lines came within so many days before a start is waited for. */
const recentDays = 14
const dayMillis = 86_400_000
const namePattern = /^[a-z0-9][a-z0-9-]{0,31}$/

/**
 * Reads the folders once and the register whenever it was changed.
 * @param offsetMinutes of the people who keep the register: a deployment ends by their day
 */
export function rollOf(archive: string, offsetMinutes: number, nowMillis: number): RollReader {
  return new RollReader(archive, offsetMinutes, recentIn(archive, nowMillis))
}

export class RollReader {
  private registered: readonly RegisteredStation[] = []
  private readAt: number | undefined
  private told: readonly string[] = []

  constructor(
    private readonly archive: string,
    private readonly offsetMinutes: number,
    private readonly recent: readonly string[],
  ) {}

  /** Stations of which people were told, and it is not over. */
  alsoTold(stations: readonly string[]): void {
    this.told = stations
  }

  /** @param utc undefined while no clock is trusted: then nobody is known to be gone */
  at(utc: UtcMillis | undefined): Roll {
    this.read()
    const today =
      utc === undefined ? '' : utcText((utc + this.offsetMinutes * 60_000) as UtcMillis).slice(0, 10)
    const here = this.registered.filter(({ deployments }) =>
      deployments.some(({ from, to }) => to === undefined && from <= today),
    )
    const gone = this.registered.filter(
      ({ deployments }) =>
        deployments.length > 0 && deployments.every(({ to }) => to !== undefined && to <= today),
    )
    const retired = new Set(gone.map(({ station }) => station))
    const expected = [...here.map(({ station }) => station), ...this.recent, ...this.told]
    return { expected: expected.filter((station) => !retired.has(station)), retired }
  }

  /** One that cannot be read leaves what was known: `stations register` says what is wrong with it. */
  private read(): void {
    const changed = changedAt(registerFile(this.archive))
    if (changed === this.readAt) return
    this.readAt = changed
    const read = loadRegister(this.archive)
    if (read.ok) this.registered = read.value
  }
}

function recentIn(archive: string, nowMillis: number): string[] {
  const names = namesIn(archive).filter((name) => namePattern.test(name))
  return names.filter((station) =>
    namesIn(join(archive, station)).some((store) => {
      const changed = newestChange(join(archive, station, store))
      return changed !== undefined && nowMillis - changed < recentDays * dayMillis
    }),
  )
}

/** Of the file that lines were last added to: their names go up. */
function newestChange(store: string): number | undefined {
  const lines = namesIn(store).filter((name) => name.startsWith('lines-'))
  const last = lines.sort().at(-1)
  return last === undefined ? undefined : changedAt(join(store, last))
}

/** Nothing where there is no such folder. */
function namesIn(folder: string): string[] {
  try {
    return readdirSync(folder)
  } catch {
    return []
  }
}

function changedAt(path: string): number | undefined {
  return statSync(path, { throwIfNoEntry: false })?.mtimeMs
}
