import type { KeyPath, Verdict } from './fault.js'
import { atKey, atValue, type Finding, type Look } from './look.js'

/** Reserve and cut-off where none is written, as power/ has them by chemistry (a test holds both together). */
export const usualPercents: Readonly<Record<string, { readonly reserve: number; readonly cutOff: number }>> =
  {
    lifepo4: { reserve: 30, cutOff: 15 },
    'lead-acid': { reserve: 50, cutOff: 40 },
  }

const reservePath = ['power', 'reserve_percent']
const cutOffPath = ['power', 'cut_off_percent']
const resumePath = ['power', 'resume_points']
const boardOffPath = ['power', 'board_off']

/** As the schema has it. */
const usualResumePoints = 10

/** A reserve protects only above the cut-off, and only if there is a charge above it at which the station resumes. */
export function powerFindings(look: Look): Finding[] {
  const usual = usualPercents[look.text(['power', 'battery', 'chemistry']) ?? '']
  const reserve = percentAt(look, reservePath, usual?.reserve)
  const cutOff = percentAt(look, cutOffPath, usual?.cutOff)
  const found: Finding[] = []
  if (reserve !== undefined && cutOff !== undefined && reserve <= cutOff) {
    const path = look.has(reservePath) ? reservePath : cutOffPath
    found.push(atValue(path, notAbove(reserve, cutOff)))
  }
  const points = percentAt(look, resumePath, usualResumePoints)
  if (reserve !== undefined && points !== undefined && reserve + points > 100) {
    const path = look.has(resumePath) ? resumePath : reservePath
    found.push(atValue(path, neverResumed(reserve, points)))
  }
  return [...found, ...wakeFindings(look)]
}

/** The board must be woken, and by one path: a proof is of one. */
function wakeFindings(look: Look): Finding[] {
  if (!look.has(boardOffPath)) return []
  const [alarm, other] = ['wake_alarm', 'wake_switch'].map((key) => look.has([...boardOffPath, key]))
  return alarm === other ? [atKey(boardOffPath, oneWakePath)] : []
}

const oneWakePath: Verdict = {
  code: 'conflict',
  wrong: 'exactly one of wake_alarm and wake_switch says how the board wakes again',
  advice: 'write the one that the board has; without any it is better never ended: leave board_off out',
}

/** Undefined where what is written is wrong by itself, which is told elsewhere. */
const percentAt = (look: Look, path: KeyPath, usual: number | undefined): number | undefined =>
  look.has(path) ? look.number(path) : usual

const notAbove = (reserve: number, cutOff: number): Verdict => ({
  code: 'conflict',
  wrong: `the reserve, ${reserve} %, is not above the cut-off, ${cutOff} %`,
  advice: 'the reserve is kept so that the cut-off is not reached: write a reserve_percent above it',
})

const neverResumed = (reserve: number, points: number): Verdict => ({
  code: 'conflict',
  wrong: `the station would start again at ${reserve} + ${points} %, and no battery holds more than 100`,
  advice: 'write a smaller reserve_percent or resume_points',
})
