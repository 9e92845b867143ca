/** What a command can have done. Each act is one that somebody at the station can ask for too; nothing runs a program. */
import { answerDelivery } from '../delivery/delivery.js'
import { addSeconds, type MonoSeconds } from '../terms/terms.js'
import type { Command } from '../uplink/uplink.js'
import type { Act, Acted } from './command-watch.js'
import type { Parts } from './parts.js'
import type { SettingsFromAfar } from './settings-from-afar.js'

/** Asked for by a reader too. */
export const readerCommands: ReadonlySet<string> = new Set(['health'])

export interface ActPorts {
  readonly parts: () => Parts
  readonly now: () => MonoSeconds
  readonly health: () => Record<string, unknown>
  readonly whenSafe: () => Promise<boolean>
  /** Ends the agent and begins anew; absent: nothing can. */
  readonly restart?: () => void
  /** Absent: none are taken. */
  readonly settings?: SettingsFromAfar
}

const mostRicherHours = 72

export async function act(ports: ActPorts, { do: what, with: input }: Command, by: string): Promise<Act> {
  if (what === 'restart') return restart(ports)
  if (what === 'settings' && ports.settings) return ports.settings.act(input, by)
  return { answer: await answerTo(ports, what, input, by) }
}

async function answerTo(
  ports: ActPorts,
  what: string,
  input: Readonly<Record<string, unknown>>,
  by: string,
): Promise<Acted> {
  if (what === 'health') return { ok: true, health: ports.health() }
  if (what === 'resend') return resend(ports, input)
  if (what === 'richer') return richer(ports, input)
  if (what === 'clean') return clean(ports, input)
  if (what === 'sitelog') return entry(ports, input)
  if (what === 'acknowledge' || what === 'mute') return told(ports, { ...input, do: what }, by)
  return no(`no command '${what}' here`)
}

const yes = (words: string): Acted => ({ ok: true, words })
const no = (words: string): Acted => ({ ok: false, words })

function restart({ restart: begin }: ActPorts): Act {
  return begin
    ? { answer: yes('the agent begins anew'), afterwards: begin }
    : { answer: no('this agent cannot begin anew by itself') }
}

async function told(
  { parts, whenSafe }: ActPorts,
  request: Readonly<Record<string, unknown>>,
  by: string,
): Promise<Acted> {
  const answer = answerDelivery(parts().delivery, request, { words: 'station', by }) as Acted
  await whenSafe()
  return answer
}

async function entry(
  { parts, whenSafe }: ActPorts,
  input: Readonly<Record<string, unknown>>,
): Promise<Acted> {
  const answer = parts().site.add(input)
  if (!answer.ok) return answer
  const { number: line, details, notes } = answer
  const safe = await whenSafe()
  const words = [`noted in line ${line}${safe ? '' : ', which is not yet on the disk'}`, ...notes].join('; ')
  return { ok: true, words, line, details, safe }
}

/** Without numbers: what the broker did not take. */
function resend({ parts }: ActPorts, { from, to }: Readonly<Record<string, unknown>>): Acted {
  const uplink = parts().uplink!
  if (from === undefined && to === undefined) {
    uplink.resend()
    return yes('what the broker did not take goes again')
  }
  if (!isLineNumber(from) || !isLineNumber(to) || to < from) return no('say from and to: numbers of lines')
  uplink.sendAgain(from, to)
  return yes(`lines ${from} to ${to} go again`)
}

const isLineNumber = (value: unknown): value is number => Number.isSafeInteger(value) && (value as number) > 0

function richer({ parts, now }: ActPorts, { hours }: Readonly<Record<string, unknown>>): Acted {
  if (typeof hours !== 'number' || !(hours >= 0) || hours > mostRicherHours)
    return no(`say hours: 0 to ${mostRicherHours}; 0 ends it`)
  const { energy } = parts()
  if (!energy) return yes('the sensor runs all the time here')
  const { plan } = energy.ports
  plan.richerUntil = addSeconds(now(), hours * 3600)
  if (hours === 0) return yes('the sensor runs by its plan again')
  return yes(
    plan.step === 'heartbeat'
      ? 'noted; but the battery is low, and at the heartbeat the sensor runs by its plan'
      : `the sensor runs all the time for ${hours} h, marked as on request between its hours`,
  )
}

function clean({ parts }: ActPorts, { instrument }: Readonly<Record<string, unknown>>): Acted {
  if (instrument !== undefined && typeof instrument !== 'string') return no('say instrument: its name')
  const known = parts().instruments.filter(({ name }) => instrument === undefined || name === instrument)
  if (known.length === 0) return no(`no instrument '${(instrument ?? '').slice(0, 64)}' here`)
  const begun = known.filter((one) => one.cleanSoon()).map(({ name }) => name)
  return begun.length > 0
    ? yes(`cleaning of ${begun.join(', ')} begins with the next reading`)
    : no('no sensor here has a command for cleaning in its settings, is awake and has its port open')
}
