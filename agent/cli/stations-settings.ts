/** `stations settings`: pushes settings to one station, keeps what is on trial there, or asks what is in force. */
import { basename } from 'node:path'
import { readPushed, settingsFaultText, type SettingsFaultCode } from '../settings/settings.js'
import { plainLines } from './plain-text.js'
import { readTextFile } from './read-text.js'
import { longestPushedText } from './settings-trial.js'
import { answerText } from './stations-answer.js'
import { sendCommand, type Answer, type SendOptions } from './stations-send.js'

export interface PushOptions extends SendOptions {
  readonly alone?: boolean
  readonly confirm?: string
}

type Input = Readonly<Record<string, unknown>>

/** Exit codes: 0 done, 1 refused or no answer, 2 wrong use, or a file that no station would take. */
export async function pushSettings(
  station: string,
  file: string | undefined,
  options: PushOptions,
): Promise<number> {
  const input = inputOf(file, options)
  if (Array.isArray(input)) {
    for (const line of input as string[]) process.stderr.write(line + '\n')
    return 2
  }
  return sendCommand(station, 'settings', input as Input, options, (answer) =>
    answerLines(answer, station, options).join('\n'),
  )
}

const trialId = /^[0-9a-f]{16}$/

/** What the command has in it, or what is wrong, lines for a person. */
function inputOf(file: string | undefined, { alone, confirm }: PushOptions): Input | string[] {
  if (confirm !== undefined && (file !== undefined || alone))
    return ['--confirm stands without a file and --alone']
  if (confirm !== undefined)
    return trialId.test(confirm)
      ? { confirm }
      : [`--confirm ${confirm}: expected the id of a trial, 16 hex digits, as the station answered it`]
  if (file === undefined) return alone ? ['--alone: name the file that is to be pushed'] : {}
  const text = readTextFile(file)
  if (!text.ok) return [`${text.fault.detail}: name the file with the settings that are to be pushed`]
  const wrong = wrongAnywhere(text.value, file)
  return wrong.length > 0
    ? wrong
    : { text: text.value, file: basename(file), ...(alone ? { alone: true } : {}) }
}

/** What is wrong with a text whatever the station and its version; the station itself judges the rest. */
const wrongWithTheText: ReadonlySet<SettingsFaultCode> = new Set<SettingsFaultCode>([
  'empty-file',
  'too-large',
  'encoding',
  'syntax',
  'tab',
  'alias',
  'too-deep',
  'duplicate-key',
  'secret',
])

function wrongAnywhere(text: string, file: string): string[] {
  const read = readPushed({ own: '{}', pushed: text }, file)
  const faults = read.ok ? [] : read.faults.filter(({ code }) => wrongWithTheText.has(code))
  if (faults.some(({ code }) => code === 'empty-file'))
    return [
      `${file} says nothing: write the keys that are to change, or {} with --alone to take back what was pushed`,
    ]
  if (faults.length > 0) return faults.map(settingsFaultText)
  const { length } = text
  return length <= longestPushedText
    ? []
    : [
        `${file}: ${length} characters, and a command holds at most ${longestPushedText}; leave out comments and what does not change`,
      ]
}

/** Nobody signs an answer: an id that goes into a command for a person is one, and what is shown moves no cursor. */
function answerLines(answer: Answer, station: string, options: PushOptions): string[] {
  const { ok, words, trial, kept } = answer
  if (ok === true && typeof trial === 'string' && trialId.test(trial))
    return [
      answerText(answer, station),
      `Look how the station does with them (its figures, stations send ${station} health), then keep them:`,
      `  ${confirmText(station, trial, options)}`,
    ]
  if (ok === true && typeof kept === 'string')
    return [answerText(answer, station), plainLines(kept.trimEnd())]
  // Faults, each with its place: a line each.
  if (ok !== true && typeof words === 'string' && words.includes('\n'))
    return [`${station}: not tried`, plainLines(words)]
  return [answerText(answer, station)]
}

function confirmText(station: string, trial: string, options: PushOptions): string {
  const { broker, group, key, username, passwordFile, caFile, protocol } = options
  const given = Object.entries({
    ...{ broker, group, key, username, 'password-file': passwordFile, 'ca-file': caFile },
    protocol: protocol === '5' ? undefined : protocol,
  }).flatMap(([name, value]) => (value === undefined ? [] : [`--${name} ${quoted(value)}`]))
  return `motepost stations settings ${station} --confirm ${trial} ${given.join(' ')}`
}

const quoted = (text: string): string =>
  /^[\w./:@-]+$/.test(text) ? text : `'${text.replaceAll("'", `'\\''`)}'`
