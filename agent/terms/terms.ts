/**
 * terms: the vocabulary of the whole program, and nothing that does anything.
 *
 * In: nothing. Out: units of time that do not mix, channels, reasons, faults, lines and their canonical text, ports.
 * Every other folder may import this file and may assume that the words mean the same everywhere. Nothing here reads a
 * clock, a file or a socket.
 */
export * from './bounded-json.js'
export * from './channels.js'
export * from './columns.js'
export * from './counts.js'
export * from './day-hours.js'
export * from './faults.js'
export * from './backoff.js'
export * from './in-flight.js'
export * from './lines.js'
export * from './nearest.js'
export * from './outcome.js'
export * from './ports.js'
export * from './ranges.js'
export * from './reasons.js'
export * from './rule-names.js'
export * from './sms-alphabet.js'
export * from './time.js'
export * from './windows.js'
export * from './zones.js'
