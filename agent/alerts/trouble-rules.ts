/**
 * The rules of a station's own troubles: what they mean, how pressing they are, what to do first. A rule with codes holds
 * while one of these faults stands; what the others hold for is measured (agent/station/trouble-conditions.ts).
 */
import { troubleRuleNames, type FaultCode, type TroubleRuleName } from '../terms/terms.js'
import type { TroubleTiming } from './trouble.js'

export interface TroubleRule extends TroubleTiming {
  readonly priority: 'low' | 'normal' | 'high'
  /** As told to people: 'no data from the sensor'. */
  readonly words: string
  /** For the documents: when it is raised, and when it is over. */
  readonly raisedWhen: string
  readonly firstThing: string
  readonly codes: readonly FaultCode[]
  /** So long after a start a fault that does not stand says nothing: whoever raises it has not looked yet. */
  readonly settleSeconds: number
}

const minute = 60
const hour = 3600
const usual = { codes: [], onDelaySeconds: 0, offDelaySeconds: 10 * minute, settleSeconds: 10 * minute }

export const troubleRules: Readonly<Record<TroubleRuleName, TroubleRule>> = {
  'no-data': {
    ...usual,
    priority: 'high',
    words: 'no data from the sensor',
    raisedWhen: 'no frame for 15 min although the sensor should run; over when frames come for 5 min',
    firstThing: 'check plug, cable and supply of the sensor; status names the fault',
    onDelaySeconds: 15 * minute,
    offDelaySeconds: 5 * minute,
  },
  'fan-or-inlet': {
    ...usual,
    priority: 'high',
    words: 'the fan or the inlet of the sensor fails',
    raisedWhen: 'no particle at all, the same figures again and again, or an error of the sensor, for 5 min',
    firstThing: 'look whether the fan turns and the inlet is free; take its power away for ten seconds',
    codes: ['sensor-no-particles', 'sensor-stuck', 'sensor-error'],
    onDelaySeconds: 5 * minute,
  },
  'line-errors': {
    ...usual,
    priority: 'normal',
    words: 'many frames of the sensor arrive broken',
    raisedWhen:
      'more than 5 % of the bytes of an hour are of no good frame, or the port comes and goes; over below 1 %',
    firstThing: 'check cable, plug and ground of the sensor, and keep its cable away from modem and charger',
    codes: ['port-unsteady'],
    offDelaySeconds: 30 * minute,
  },
  'pair-disagrees': {
    ...usual,
    priority: 'normal',
    words: 'two sensors of one box disagree',
    raisedWhen: 'their PM2.5 differs in two hours running; over after three hours in which it does not',
    firstThing: 'clean both inlets; if it stays, run a zero check and replace the one that fails',
    codes: ['pair-disagrees'],
    onDelaySeconds: hour,
    offDelaySeconds: 2 * hour,
    settleSeconds: 2 * hour,
  },
  'falling-baseline': {
    ...usual,
    priority: 'low',
    words: 'the cleanest air of each day reads lower and lower',
    raisedWhen:
      'the 5th percentile of PM2.5 of the last 7 days is below half of that of 3 weeks before; over from 70 % on',
    firstThing: 'clean the inlet and look at the fan; put the sensor beside another one for some days',
    offDelaySeconds: 0,
  },
  'low-supply': {
    ...usual,
    priority: 'normal',
    words: 'the supply of the board is too low',
    raisedWhen: 'the board says so for 2 min',
    firstThing: 'charge or replace the battery, then check the regulator and the cable to the board',
    codes: ['supply-low'],
    onDelaySeconds: 2 * minute,
  },
  battery: {
    ...usual,
    priority: 'high',
    words: 'the battery is running down',
    raisedWhen:
      'charge below the reserve, the reserve 3 days away or less, charge not known, or cut off; over after an hour',
    firstThing: 'clean the panel of dust or snow; look what draws power; motepost status shows the days left',
    codes: ['charge-unknown', 'hard-cut'],
    onDelaySeconds: 30 * minute,
    offDelaySeconds: hour,
  },
  panel: {
    ...usual,
    priority: 'normal',
    words: 'the panel gives less than it used to, or the load is not explained',
    raisedWhen: 'the books of a day say so',
    firstThing: 'clean or check the panel: dust, snow, a new shadow, a loose plug',
    codes: ['panel-weak', 'load-unexplained', 'charging-cold'],
    offDelaySeconds: hour,
  },
  clock: {
    ...usual,
    priority: 'normal',
    words: 'the clock of the station is not to be trusted',
    raisedWhen: 'no trusted time for an hour, no check for a day, or sources that contradict each other',
    firstThing: 'give the station a network for a minute, or set the time by hand with status --set-clock',
    codes: ['clock-untrusted', 'clock-unchecked', 'clock-disputed', 'clock-refused'],
    onDelaySeconds: hour,
  },
  disk: {
    ...usual,
    priority: 'high',
    words: 'the disk fails or is full',
    raisedWhen: 'a fault of the disk stands for 5 min',
    firstThing: 'copy the data away and free space; replace a card that answers with errors',
    codes: [
      'disk-full',
      'disk-read-only',
      'disk-error',
      'disk-denied',
      'disk-missing',
      'disk-short',
      'job-late',
    ],
    onDelaySeconds: 5 * minute,
  },
  backlog: {
    ...usual,
    priority: 'low',
    words: 'records wait and do not get away',
    raisedWhen:
      'more than 2,880 lines (two days) wait, the broker refuses some, or the collector confirms none for 6 h; over below 1,440',
    firstThing: 'look at link, broker and collector; raise uplink.daily_budget_kb where it is used up',
    codes: ['lines-parked', 'receipt-missing'],
    onDelaySeconds: 6 * hour,
  },
  'link-down': {
    ...usual,
    priority: 'normal',
    words: 'the station does not reach its broker',
    raisedWhen: 'no connection for 24 h; over with the first one',
    firstThing: 'check credit and signal of the modem, then address and firewall; records wait on disk',
    onDelaySeconds: 24 * hour,
    offDelaySeconds: 0,
  },
  'restart-loop': {
    ...usual,
    priority: 'high',
    words: 'the station starts again and again',
    raisedWhen:
      'five starts without a stop before them within an hour of records; over after an hour without one',
    firstThing: 'look at the supply first, then at the journal: journalctl -u motepost',
    offDelaySeconds: 0,
  },
  'two-stores': {
    ...usual,
    priority: 'high',
    words: 'two stations use one name',
    raisedWhen: 'two stores of one station grow at the same time, or the broker ends each connection',
    firstThing: 'look for a cloned card or two stations of one name: give one of them a name of its own',
    codes: ['store-twins', 'client-id-clash'],
    onDelaySeconds: 5 * minute,
    offDelaySeconds: hour,
    settleSeconds: hour,
  },
  'settings-afar': {
    ...usual,
    priority: 'low',
    words: 'settings came from afar',
    raisedWhen: 'they are on trial, or were not kept; over when they are kept, or after the next start',
    firstThing: 'if nobody of yours did it: restart the agent, then take away the key (keys remove-operator)',
    codes: ['settings-on-trial', 'settings-fell-back'],
    offDelaySeconds: 0,
    // A start raises them before it lives.
    settleSeconds: 0,
  },
  'case-temperature': {
    ...usual,
    priority: 'normal',
    words: 'the case is too hot or too cold',
    raisedWhen: 'above 60 or below -20 C for 15 min; over inside 55 and -15',
    firstThing: 'give the case shade and air, or look at the heater; the sensor is not made for it',
    onDelaySeconds: 15 * minute,
  },
  'case-open': {
    ...usual,
    priority: 'high',
    words: 'the case was opened',
    raisedWhen: 'the file of case.open_file says so and no visit runs; over when it is closed for 10 min',
    firstThing: 'ask who is at the station; begin a visit before opening (motepost visit)',
  },
  'sensor-aging': {
    ...usual,
    priority: 'low',
    words: 'the sensor nears the end of its life',
    raisedWhen: '6,000 running hours since it was installed; over when another unit is noted',
    firstThing: 'order a replacement; note it in the site log when it is in place',
    offDelaySeconds: 0,
  },
  'sensor-old': {
    ...usual,
    priority: 'normal',
    words: 'the sensor is past its life',
    raisedWhen: '8,000 running hours since it was installed; over when another unit is noted',
    firstThing: 'replace the sensor and note the new unit in the site log',
    offDelaySeconds: 0,
  },
}

/** What settings change of these rules. */
export interface TroubleChoice {
  readonly rule: TroubleRuleName
  readonly priority: TroubleRule['priority']
  readonly onDelaySeconds: number
  readonly offDelaySeconds: number
}

/** The rules that a station steps: all but those that are switched off, or whose name a rule of its own has. */
export function troubleChoices(
  changes: readonly {
    readonly rule: string
    readonly use: boolean
    readonly priority?: TroubleRule['priority']
    readonly onDelaySeconds?: number
  }[],
  ownNames: readonly string[],
): TroubleChoice[] {
  return troubleRuleNames.flatMap((rule) => {
    const change = changes.find((one) => one.rule === rule)
    if (change?.use === false || ownNames.includes(rule)) return []
    const { priority, onDelaySeconds, offDelaySeconds } = troubleRules[rule]
    return {
      rule,
      priority: change?.priority ?? priority,
      onDelaySeconds: change?.onDelaySeconds ?? onDelaySeconds,
      offDelaySeconds,
    }
  })
}
