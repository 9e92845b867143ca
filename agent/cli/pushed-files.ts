/**
 * Settings from afar on the disk, beside the records: those that are kept, which each start lays over the person's file, and those
 * on trial, which no start ever runs: they only tell it that a trial was cut short. Hidden, as all in a data folder that is no data.
 */
import { createHash } from 'node:crypto'
import { FolderDisk } from '../hardware/disk.js'
import { stateFileOn } from '../hardware/state-file.js'
import type { Disk, Outcome, StateFile } from '../terms/terms.js'
import type { Plan } from './preparation.js'

export interface PushedSettings {
  /** Of the trial by which they came: 16 hex digits. */
  readonly id: string
  /** Of the own file over which they stand; they are nothing over any other. */
  readonly base: string
  /** Open keys only. */
  readonly text: string
  readonly by: string
}

/** A plan that says whose settings stand in it, also in the line that a change of settings leaves among the records. */
export const planWith = (plan: Plan, { id, by }: Pick<PushedSettings, 'id' | 'by'>): Plan => ({
  ...plan,
  pushed: { id, by },
  eventDetails: { ...plan.eventDetails, from_afar: `${id} of ${by}` },
})

/** Everything pushed was taken back. */
export const saysNothing = ({ text }: Pick<PushedSettings, 'text'>): boolean => text.trim() === '{}'

/** SHA-256 of a settings file: another text is another edit by hand. */
export const baseOf = (ownText: string): string => createHash('sha256').update(ownText).digest('hex')

export class PushedFiles {
  constructor(
    private readonly keptFile: StateFile,
    private readonly trialFile: StateFile,
  ) {}

  kept(): Promise<PushedSettings | undefined> {
    return readFrom(this.keptFile)
  }

  onTrial(): Promise<PushedSettings | undefined> {
    return readFrom(this.trialFile)
  }

  beginTrial(pushed: PushedSettings): Promise<Outcome<void>> {
    return this.trialFile.save(pushed)
  }

  endTrial(): Promise<Outcome<void>> {
    return this.trialFile.save(null)
  }

  /** What is kept can never be used any more. */
  drop(): Promise<Outcome<void>> {
    return this.keptFile.save(null)
  }

  keep(pushed: PushedSettings): Promise<Outcome<void>> {
    return this.keptFile.save(pushed)
  }
}

/** What cannot be read is nothing: the person's file is always there to run on. */
async function readFrom(file: StateFile): Promise<PushedSettings | undefined> {
  const loaded = await file.load()
  if (!loaded.ok || typeof loaded.value !== 'object' || loaded.value === null) return undefined
  const { id, base, text, by } = loaded.value as Record<string, unknown>
  const isWhole = [id, base, text, by].every((one) => typeof one === 'string')
  return isWhole ? (loaded.value as PushedSettings) : undefined
}

export const pushedFilesOn = (disk: Disk): PushedFiles =>
  new PushedFiles(stateFileOn(disk, '.settings-pushed.json'), stateFileOn(disk, '.settings-trial.json'))

export const pushedFilesIn = (folder: string): PushedFiles => pushedFilesOn(new FolderDisk(folder))
