import type { WayTest } from '../delivery/delivery.js'
import type { StationStatus } from '../station/station.js'
import { bad, type Outcome } from '../terms/terms.js'
import { historyLines, stateLines, toldLines, type ToldByCollector } from './alerts-words.js'
import { askCollectorOf, collectorFaultText } from './collector-words.js'
import { lineWidth } from './averages-table.js'
import { openOneStore, whereToLook } from './desk.js'
import { folded } from './plain-text.js'
import { askStation, reachStation, refusalText } from './reach-station.js'

export interface AlertsOptions {
  readonly settings: string
  readonly sendTest?: string
  readonly acknowledge?: string
  readonly mute?: string
  /** Hours. */
  readonly for?: number
  readonly history?: boolean
  /** Of a collector: what it tells of its group. */
  readonly archive?: string
  readonly store?: string
  readonly storeId?: string
  readonly json?: boolean
}

const usualMuteHours = 8
/** A modem that looks for its network takes minutes. */
const testLimitSeconds = 360
const pollSeconds = 1

/**
 * States of the rules and who was told, from the running station; or what became of alerts, from a store.
 * @returns exit code: 0 done, 1 no station answers, it refuses, or a test message did not go; 2 wrong use
 */
export async function alerts(options: AlertsOptions): Promise<number> {
  if (options.history || options.store !== undefined) return history(options)
  const request = requestOf(options)
  if (typeof request === 'string') return wrong(request)
  const told = options.archive === undefined ? stationOf(options.settings) : collectorOf(options.archive)
  if (!told) return 2
  const first = await told.ask(request.do === 'status' ? told.status : request)
  const isTest = options.sendTest !== undefined && refusalText(first) === undefined
  const asked = isTest ? await testEnd(told) : first
  if (options.json) print([jsonOf(asked)])
  else printFolded(answerLines(asked, told))
  return refusalText(asked) === undefined && testsOf(asked).every(({ delivered }) => delivered) ? 0 : 1
}

/** Who tells: a station, or a collector. */
interface Told {
  readonly ask: (request: Record<string, unknown>) => Promise<Outcome<unknown>>
  /** What is asked for how all stands. */
  readonly status: Record<string, unknown>
  readonly states: (answer: Record<string, unknown>) => readonly string[]
  /** Why there is no answer, or what was said against it. */
  readonly refused: (asked: Outcome<unknown>) => string | undefined
}

function stationOf(settings: string): Told | undefined {
  const reached = reachStation(settings)
  return (
    reached && {
      ask: (request) => askStation(reached.settings, request),
      status: { do: 'status' },
      refused: refusalText,
      states: ({ status }) => (status ? stateLines(status as StationStatus, reached.place) : []),
    }
  )
}

const collectorOf = (archive: string): Told => ({
  ask: (request) => askCollectorOf(archive, request),
  refused: (asked) => (asked.ok ? refusalText(asked) : collectorFaultText(asked.fault, archive)),
  status: { do: 'alerts' },
  states: (answer) => toldLines(answer as ToldByCollector),
})

async function testEnd({ ask }: Told): Promise<Outcome<unknown>> {
  for (let waited = 0; ; waited += pollSeconds) {
    const asked = await ask({ do: 'test-result' })
    const { state } = Object(asked.ok ? asked.value : {}) as { state?: string }
    if (state !== 'under way') return asked
    if (waited >= testLimitSeconds) return bad('agent-silent', `no result within ${testLimitSeconds} s`)
    await new Promise((resolve) => setTimeout(resolve, pollSeconds * 1000))
  }
}

function requestOf(options: AlertsOptions): Record<string, unknown> | string {
  const { sendTest, acknowledge, mute, for: hours } = options
  const asks = [sendTest, acknowledge, mute].filter((one) => one !== undefined)
  if (asks.length > 1) return 'one at a time: --send-test, --acknowledge or --mute'
  if (hours !== undefined && mute === undefined) return '--for belongs to --mute'
  if (sendTest !== undefined) return { do: 'send-test', to: sendTest }
  if (acknowledge !== undefined) return { do: 'acknowledge', what: acknowledge }
  if (mute !== undefined) return { do: 'mute', what: mute, hours: hours ?? usualMuteHours }
  return { do: 'status' }
}

const testsOf = (asked: Outcome<unknown>): readonly WayTest[] =>
  asked.ok ? ((Object(asked.value) as { tests?: WayTest[] }).tests ?? []) : []

function answerLines(asked: Outcome<unknown>, { states, refused }: Told): readonly string[] {
  const against = refused(asked)
  if (against !== undefined) return [against]
  const answer = Object(asked.ok ? asked.value : {}) as Record<string, unknown>
  const { words } = answer
  if (words === undefined && !('state' in answer)) return states(answer)
  const tests = testsOf(asked).map(
    ({ way, delivered, words: said }) => `${way}: ${delivered ? 'delivered' : 'not delivered'}. ${said}`,
  )
  return typeof words === 'string' ? [words] : tests
}

/** Of a running station only what concerns alerts. */
function jsonOf(asked: Outcome<unknown>): string {
  if (!asked.ok) return JSON.stringify({ ok: false, fault: asked.fault })
  const { status, ...rest } = Object(asked.value) as { status?: StationStatus }
  if (!status) return JSON.stringify(rest)
  const { station, at, alerts: states, delivery } = status
  return JSON.stringify({ ok: true, station, at, alerts: states, delivery })
}

async function history(options: AlertsOptions): Promise<number> {
  const { store: folder, storeId, settings } = options
  const where = await whereToLook(folder === undefined ? { settings } : { store: folder })
  const opened = where.ok ? await openOneStore(where.value.folder, storeId) : where
  if (!opened.ok) {
    process.stderr.write(`${opened.words}\n`)
    return opened.code
  }
  const lines = await historyLines(opened.value, options.json === true)
  await opened.value.disk.close()
  if (!lines.ok) return wrong(lines.fault.detail, 1)
  if (options.json) print(lines.value)
  else printFolded(lines.value)
  return 0
}

const print = (lines: readonly string[]): void => void process.stdout.write(lines.join('\n') + '\n')

/** Lines for a person: what does not fit goes on below. */
const printFolded = (lines: readonly string[]): void =>
  print(lines.map((line) => folded(line, lineWidth(), 4)))

function wrong(words: string, code = 2): number {
  process.stderr.write(`${words}\n`)
  return code
}
