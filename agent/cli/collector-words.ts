/** What is said where the collector of an archive cannot be asked: of the collector, not of a station. */
import { readFileSync, statSync } from 'node:fs'
import { join } from 'node:path'
import { askControl } from '../hardware/control-socket.js'
import { faultText, type Fault, type Outcome } from '../terms/terms.js'

export const socketIn = (archive: string): string => join(archive, '.control.sock')

export const askCollectorOf = (archive: string, request: unknown): Promise<Outcome<unknown>> =>
  askControl(socketIn(archive), request)

/** Whole sentences: what is the matter, and what to do. */
export function collectorFaultText(fault: Fault, archive: string): string {
  const { code, detail } = fault
  if (code === 'agent-not-running')
    return `No collector answers at this archive: ${detail}. Start motepost collect, or look why its service ended: systemctl status motepost-collect.`
  if (code === 'agent-silent')
    return `The collector of this archive runs but did not answer: ${detail}. Try again; if it stays, look at its log and restart it.`
  if (code === 'control-unavailable')
    return `The running collector cannot be asked: ${detail}. Restart it; its log says why it has no socket.`
  if (code === 'control-denied') return deniedText(archive)
  return faultText(fault)
}

/** Its socket is for the user only who started it. */
function deniedText(archive: string): string {
  const socket = socketIn(archive)
  const owner = ownerOf(socket)
  const who = owner === undefined ? 'the user who runs the collector' : `the user ${owner}`
  const how =
    owner === undefined ? 'as that user (sudo -u)' : `as that user: sudo -u ${sudoName(owner)} motepost …`
  return `A collector may run at this archive, but this user may not open its socket ${socket}: only ${who} may. Ask ${how}`
}

const sudoName = (owner: string): string => (/^\d+$/.test(owner) ? `'#${owner}'` : owner)

/** By name where the system's list of users has one, else by number. */
function ownerOf(file: string): string | undefined {
  try {
    const { uid } = statSync(file)
    const users = readFileSync('/etc/passwd', 'utf8').split('\n')
    return users.map((line) => line.split(':')).find((row) => row[2] === String(uid))?.[0] ?? String(uid)
  } catch {
    return undefined
  }
}
