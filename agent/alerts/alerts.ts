/**
 * alerts: threshold rules with delays and a deadband, so that a value trembling about a level raises once.
 *
 * In: for each rule, each minute, the average it watches with its data capture, and the monotonic time.
 * Out: a change, when there is one: raised, or back below (back above for a rule that watches for low values).
 * Assumed: `step` is called once a minute; state is restored with `restore` after a restart.
 * Refused: an average with too little data capture, or of a window too little of which was recorded, is no evidence,
 * neither for raising nor for going back: no data is not 'all clear', and the alert says since when it does not know.
 * A window in which nothing was planned is no evidence either, but no lack of it: the alert keeps what it knew.
 *
 * Beside it: the rules that a station has without being told, of particles (particle-rules.ts) and of its own troubles
 * (trouble-rules.ts: a group of faults or a measured condition, with the same delays and the same states).
 *
 * Inside, the words are those of IEC 62682 / ISA-18.2 (on-delay, off-delay, deadband; from memory).
 */
export { Alert, alertWord, type AlertChange, type AlertRule, type AlertState } from './alert.js'
export { builtInRules, particleRules, type RuleChange } from './particle-rules.js'
export { Trouble, type TroubleChange, type TroubleSeen } from './trouble.js'
export { troubleChoices, troubleRules, type TroubleChoice, type TroubleRule } from './trouble-rules.js'
