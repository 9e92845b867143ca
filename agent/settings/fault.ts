/** The closed list of what can be wrong with a settings file. Tests match these, not the words. */
export type SettingsFaultCode =
  // the file
  | 'empty-file'
  | 'too-large'
  | 'encoding'
  | 'syntax'
  | 'tab'
  | 'alias'
  | 'too-deep'
  // keys
  | 'duplicate-key'
  | 'unknown-key'
  | 'secret'
  | 'missing'
  // values
  | 'empty'
  | 'wrong-kind'
  | 'not-a-number'
  | 'decimal-comma'
  | 'quoted'
  | 'out-of-range'
  | 'milliseconds'
  | 'unknown-word'
  | 'unknown-zone'
  | 'wrong-text'
  // values that do not go together
  | 'conflict'
  // only of settings from afar
  | 'closed-key'

export interface SettingsFault {
  readonly code: SettingsFaultCode
  readonly file: string
  /** From 1. */
  readonly line: number
  /** From 1, in characters. */
  readonly column: number
  /** 'alerts[0].above'; empty where the fault is the whole file's. */
  readonly keyPath: string
  /** What is wrong. Never holds a password. */
  readonly wrong: string
  /** What is allowed, or what to write instead. */
  readonly advice?: string
  readonly didYouMean?: string
}

/** What a judgement says before it has a place. */
export interface Verdict {
  readonly code: SettingsFaultCode
  readonly wrong: string
  readonly advice?: string
  readonly didYouMean?: string
}

/** One line: `north.yaml:12:17 alerts[0].above: "35,5" is not a number; write decimals with a point (35.5)`. */
export function settingsFaultText(fault: SettingsFault): string {
  const where = `${fault.file}:${fault.line}:${fault.column}${fault.keyPath ? ' ' + fault.keyPath : ''}`
  const advice = fault.advice ? `; ${fault.advice}` : ''
  const guess = fault.didYouMean ? ` (did you mean ${fault.didYouMean}?)` : ''
  return `${where}: ${fault.wrong}${advice}${guess}`
}

export type KeyPath = readonly (string | number)[]

const longestKeyShown = 40

/** A key as it can be shown in one line, whatever was typed. */
export function keyText(key: string): string {
  const shown = key.length > longestKeyShown ? key.slice(0, longestKeyShown) + '…' : key
  return /^[A-Za-z0-9_-]+$/.test(key) ? shown : JSON.stringify(shown)
}

export function pathText(path: KeyPath): string {
  let text = ''
  for (const step of path)
    text += typeof step === 'number' ? `[${step}]` : `${text ? '.' : ''}${keyText(step)}`
  return text
}

const longestValueShown = 50

/** A value as a person typed it, in one line, cut where it is long. */
export function valueText(value: unknown): string {
  if (Array.isArray(value)) return 'a list'
  if (typeof value === 'object' && value !== null) return 'a group of keys'
  if (typeof value !== 'string') return String(value)
  // Whatever stands before an @ in an address may be a password.
  const safe = value.replace(/(\/\/).*@/s, '$1…@')
  return JSON.stringify(safe.length > longestValueShown ? safe.slice(0, longestValueShown) + '…' : safe)
}
