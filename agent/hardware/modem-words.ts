/** What a modem's numbers mean to a person: registration, signal, and both beside the state of the link. */

export type Registration =
  'home' | 'roaming' | 'searching' | 'denied' | 'idle' | 'unknown' | 'limited' | 'emergency'

/** The status of +CREG, +CGREG and +CEREG (3GPP TS 27.007, clauses 7.2, 10.1.20, 10.1.22). */
const registrations: Readonly<Record<number, Registration>> = {
  0: 'idle',
  1: 'home',
  2: 'searching',
  3: 'denied',
  4: 'unknown',
  5: 'roaming',
  6: 'limited',
  7: 'limited',
  8: 'emergency',
  9: 'home',
  10: 'roaming',
}

export const registrationOf = (status: number): Registration => registrations[status] ?? 'unknown'

/** A message can be handed to the network. */
export const canSend = (registration: Registration): boolean =>
  ['home', 'roaming', 'limited'].includes(registration)

/** The best of what the circuit, packet and LTE sides say comes first. */
const best: readonly Registration[] = [
  'home',
  'roaming',
  'limited',
  'denied',
  'searching',
  'emergency',
  'idle',
  'unknown',
]
export const bestRegistration = (all: readonly Registration[]): Registration =>
  best.find((registration) => all.includes(registration)) ?? 'unknown'

export const registrationWords: Readonly<Record<Registration, string>> = {
  home: 'registered',
  roaming: 'registered with another network (roaming)',
  limited: 'registered for messages only',
  searching: 'looking for a network',
  denied: 'refused by the network (SIM not active, or no credit)',
  idle: 'not registered and not looking for a network',
  emergency: 'admitted for emergency calls only',
  unknown: 'not saying whether it is registered',
}

/** dBm of the first number of +CSQ (clause 8.5): -113 is that or less, -51 that or more; undefined where it is not known. */
export const signalDbm = (rssi: number): number | undefined =>
  rssi >= 0 && rssi <= 31 ? -113 + 2 * rssi : undefined

/** Common practice, no source: below -100 dBm messages get lost, from -85 on all is well. */
const weakDbm = -100
const goodDbm = -85

export function signalWords(dbm: number | undefined): string {
  if (dbm === undefined) return 'signal not known'
  const grade = dbm < weakDbm ? 'very weak' : dbm < goodDbm ? 'weak' : 'good'
  return `signal ${dbm} dBm (${grade})`
}

/** What was seen of a modem. */
export interface ModemView {
  /** 'ready', or in words what the SIM lacks. */
  readonly sim: string
  readonly registration: Registration
  readonly operator?: string
  readonly signalDbm?: number
}

/**
 * The modem in one line. A modem that is registered while the link carries nothing is the case that 'connected' hides
 * (PC-58): it is said.
 */
export function modemWords(view: ModemView, link: 'up' | 'down' | 'not used'): string {
  const { sim, registration, operator } = view
  if (sim !== 'ready') return `SIM: ${sim}`
  const at = operator && canSend(registration) ? ` at ${operator}` : ''
  const noData = canSend(registration) && link === 'down' ? ', but no data (credit, APN, or the network)' : ''
  return `${registrationWords[registration]}${at}${noData}, ${signalWords(view.signalDbm)}`
}
