import { command } from '../instruments/instruments.js'
import type { BoardPowerCommand, WakeProof } from '../hardware/board-power.js'
import { chemistries } from '../power/power.js'
import type { InstrumentSettings, Settings } from '../settings/settings.js'
import { faultText } from '../terms/terms.js'
import type { CheckItem } from './check-items.js'
import { boardPowerOf } from './compose-power.js'
import { gaugeChannels } from './gauge-channels.js'
import { gaugeLayoutsOf } from './gauge-layouts.js'
import { loadLayout } from './layouts.js'

/** What `check` says of battery and plan; where a wake alarm is named it is set, read back and cleared, and a trial is judged. */
export async function checkPowerSettings(settings: Settings): Promise<CheckItem[]> {
  const { power } = settings
  if (!power) return []
  const items: CheckItem[] = [{ what: 'power', well: true, words: batteryWords(power) }]
  if (power.plan !== 'continuous') items.push(...settings.instruments.map(sleepItem))
  const layouts = gaugeLayoutsOf(settings)
  const gives = settings.gauges.some((gauge, i) =>
    gaugeChannels(gauge, layouts.ok ? layouts.value[i] : undefined).includes('battery_voltage'),
  )
  // A layout that cannot be used is told with its gauge.
  if (!gives && layouts.ok)
    items.push({
      what: 'power',
      well: false,
      words: 'no gauge gives battery_voltage: nothing tells the charge',
    })
  const board = boardPowerOf(settings)
  if (!board) return items
  return [...items, await wakeItem(board)]
}

async function wakeItem(board: BoardPowerCommand): Promise<CheckItem> {
  const what = 'wake'
  const proof = await board.proof()
  // To look at the path would take its alarm away.
  if (proof.state === 'under way') return { what, well: true, words: `${board.name}: ${proofWords(proof)}` }
  const looked = await board.look()
  if (!looked.ok) return { what, well: false, words: faultText(looked.fault) }
  return {
    what,
    well: proof.state !== 'failed',
    words: `${board.name}: ${looked.value}; ${proofWords(proof)}`,
  }
}

function proofWords(proof: WakeProof): string {
  if (proof.state === 'woke') return `in a trial the board woke by it, ${proof.lateSeconds} s after its time`
  if (proof.state === 'failed') return `the trial failed: ${proof.words}. Mend it, then check --try-wake`
  if (proof.state === 'under way') return 'a trial is under way'
  return 'whether the board wakes by it is not known, and until then it is never ended: check --try-wake'
}

/** So long the board is off in a trial. */
const trialSeconds = 180

/**
 * `check --try-wake`: ends the board, to wake by its wake path. Exit codes: 0 it is about to end, 1 it could not be, 2 no path is
 * set.
 */
export async function tryWake(settings: Settings): Promise<number> {
  const board = boardPowerOf(settings)
  if (!board) {
    process.stderr.write('power.board_off is not set: nothing says how the board is ended and woken\n')
    return 2
  }
  process.stdout.write(
    `The board is ended now, and is to wake by ${board.name} in ${trialSeconds / 60} min. Leave its supply on, and wait ten minutes
before you start it by hand. Then: motepost check
`,
  )
  const ended = await board.tryWake(trialSeconds)
  if (ended.ok) return 0
  process.stderr.write(faultText(ended.fault) + '\n')
  return 1
}

function batteryWords({ battery, plan, ...own }: NonNullable<Settings['power']>): string {
  const { words, reservePercent, cutOffPercent } = chemistries[battery.chemistry]
  const reserve = own.reservePercent ?? reservePercent
  const cutOff = own.cutOffPercent ?? cutOffPercent
  return `${words}, ${battery.capacityAh} Ah, ${battery.nominalVolts} V; plan ${plan}, reserve ${reserve} %, cut-off ${cutOff} %`
}

function sleepItem(instrument: InstrumentSettings): CheckItem {
  const what = 'sleep'
  if (instrument.powerSwitch)
    return { what, well: true, words: `${instrument.port}: by ${instrument.powerSwitch.off.join(' ')}` }
  const layout = loadLayout(instrument.layout)
  if (layout.ok && command(layout.value, 'sleep'))
    return { what, well: true, words: `${instrument.port}: by the sleep command of ${instrument.layout}` }
  const words = `${instrument.port}: ${instrument.layout} has no sleep command and there is no power_switch; it is only not read`
  return { what, well: false, words }
}
