import type { WayTest } from '../delivery/delivery.js'
import { askControl } from '../hardware/control-socket.js'
import type { StationStatus } from '../station/station.js'
import { bad, type Outcome } from '../terms/terms.js'
import { historyLines, stateLines } from './alerts-words.js'
import { socketIn } from './collect-control.js'
import { lineWidth } from './averages-table.js'
import { openOneStore, whereToLook } from './desk.js'
import { folded } from './plain-text.js'
import { askStation, reachStation, refusalText, type Reached } from './reach-station.js'

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
  if (options.archive !== undefined) return ofCollector(options.archive, request, options.json === true)
  const reached = reachStation(options.settings)
  if (!reached) return 2
  const first = await askStation(reached.settings, request)
  const isTest = options.sendTest !== undefined && refusalText(first) === undefined
  const asked = isTest ? await testEnd(reached) : first
  if (options.json) print([jsonOf(asked)])
  else printFolded(answerLines(asked, reached))
  return refusalText(asked) === undefined && testsOf(asked).every(({ delivered }) => delivered) ? 0 : 1
}

async function ofCollector(
  archive: string,
  request: Record<string, unknown>,
  json: boolean,
): Promise<number> {
  if (request.do !== 'acknowledge' && request.do !== 'mute')
    return wrong(
      '--archive goes with --acknowledge or --mute; what a collector told: --history --store ARCHIVE/.collector',
    )
  const asked = await askControl(socketIn(archive), request)
  const words = refusalText(asked)
  if (json) print([JSON.stringify(asked.ok ? asked.value : { ok: false, fault: asked.fault })])
  else printFolded([words ?? (Object(asked.ok ? asked.value : {}) as { words: string }).words])
  return words === undefined ? 0 : 1
}

async function testEnd(reached: Reached): Promise<Outcome<unknown>> {
  for (let waited = 0; ; waited += pollSeconds) {
    const asked = await askStation(reached.settings, { do: 'test-result' })
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

function answerLines(asked: Outcome<unknown>, reached: Reached): readonly string[] {
  const refused = refusalText(asked)
  if (refused !== undefined) return [refused]
  const { status, words } = Object(asked.ok ? asked.value : {}) as { status?: StationStatus; words?: string }
  if (status) return stateLines(status, reached.place)
  const tests = testsOf(asked).map(
    ({ way, delivered, words: said }) => `${way}: ${delivered ? 'delivered' : 'not delivered'}. ${said}`,
  )
  return words === undefined ? tests : [words]
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
