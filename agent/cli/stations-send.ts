/** `stations send`: one signed command to one station, and its answer. */
import { createPrivateKey, randomBytes, sign, type KeyObject } from 'node:crypto'
import { mqttBroker, usualMqtt } from '../hardware/mqtt-broker.js'
import { publicHalf } from '../hardware/station-key.js'
import { faultText, good, utcMillis, type BrokerSession, type Message } from '../terms/terms.js'
import { longestCommandBytes, signedCommand, topicOf } from '../uplink/uplink.js'
import { brokerAddress } from './broker-address.js'
import { readTextFile } from './read-text.js'
import { answerJson, answerText, bootIn, readAnswer } from './stations-answer.js'

export interface SendOptions {
  readonly broker: string
  readonly group: string
  readonly key: string
  readonly username?: string
  readonly passwordFile?: string
  readonly caFile?: string
  readonly protocol: string
  /** For how long the station may take it, and how long the answer is waited for. */
  readonly waitMinutes: string
  readonly json?: boolean
}

const tell = (words: string): void => void process.stderr.write(words + '\n')
/** As in topics: a name must not reach further than one station. */
const plainName = /^[a-z0-9][a-z0-9-]{0,31}$/
const wrong = (words: string): 2 => {
  tell(words)
  return 2
}

/** Exit codes: 0 done, 1 refused or no answer, 2 wrong use. */
export async function send(
  station: string,
  what: string,
  details: readonly string[],
  options: SendOptions,
): Promise<number> {
  const input = detailsIn(details)
  if (typeof input === 'string') return wrong(input)
  return sendCommand(station, what, input, options)
}

/** A program that waits sees an answer of a connected station alone. */
const quietMillis = 10_000
/** Done a second time these change nothing more: they may be signed anew where the board begins anew meanwhile. */
const harmlessTwice: ReadonlySet<string> = new Set(['health', 'mute', 'acknowledge'])
/** A broker gives at once what it holds of a station. */
const aliveMillis = 1000

/**
 * The same for what a command has in it as values.
 * @param words of the answer for a person
 */
export async function sendCommand(
  station: string,
  what: string,
  input: Readonly<Record<string, unknown>>,
  options: SendOptions,
  words = answerText,
): Promise<number> {
  for (const [what, name] of [
    ['station', station],
    ['--group', options.group],
  ] as const)
    if (!plainName.test(name))
      return wrong(`${what} ${name}: expected 1 to 32 small letters, digits and hyphens`)
  const minutes = Number(options.waitMinutes)
  if (!(minutes > 0 && minutes <= 10_000)) return wrong('--wait-minutes: expected a number, at most 10000')
  const broker = brokerFor(options)
  if (typeof broker === 'string') return wrong(broker)
  const key = privateKeyIn(options.key)
  if (typeof key === 'string') return wrong(key)
  const talk = new Talk({
    ...{ station, what, input, group: options.group, key, minutes },
    brokerName: broker.name,
  })
  const tooLong = talk.tooLong()
  if (tooLong !== undefined) return wrong(tooLong)
  const connected = await broker.connect({
    subscribe: [talk.topic('alive'), talk.topic('reply')],
    events: { onMessage: (message) => talk.hear(message), onLost: (detail) => talk.broken(detail) },
  })
  if (!connected.ok) {
    tell(faultText(connected.fault))
    return 1
  }
  talk.begin(connected.value)
  const waiting = setTimeout(
    () => tell(`${talk.waitsFor()}, up to ${minutes} min; Ctrl-C ends the waiting, not what was sent`),
    process.stderr.isTTY ? aliveMillis : quietMillis,
  )
  const ended = await talk.ended
  clearTimeout(waiting)
  await connected.value.end()
  return told(ended, options.json === true, (answer) => words(answer, station))
}

function told(ended: Ended, json: boolean, words: (answer: Answer) => string): number {
  if ('lost' in ended) {
    tell(ended.lost)
    return 1
  }
  const { answer } = ended
  process.stdout.write((json ? answerJson(answer) : words(answer)) + '\n')
  return answer.ok === true ? 0 : 1
}

/** name=value; hours, from and to are numbers where they look like one. For the site log from and to are times. */
export function detailsIn(details: readonly string[]): Record<string, unknown> | string {
  const input: Record<string, unknown> = {}
  for (const detail of details) {
    const [, name, value] = /^([a-z][a-z0-9_]*)=(.*)$/s.exec(detail) ?? []
    if (name === undefined) return `${detail}: expected name=value`
    input[name] = ['hours', 'from', 'to'].includes(name) && isNumber(value!) ? Number(value) : value
  }
  return input
}

const isNumber = (text: string): boolean => /^\d+(\.\d+)?$/.test(text)

function brokerFor(options: SendOptions): ReturnType<typeof mqttBroker> | string {
  const at = URL.canParse(options.broker) ? new URL(options.broker) : undefined
  if (!at || !/^mqtts?:$/.test(at.protocol))
    return `--broker ${options.broker}: expected mqtt://host:port or mqtts://host:port`
  if (options.protocol !== '5' && options.protocol !== '4')
    return `--protocol ${options.protocol}: expected 5 or 4`
  const [ca, password] = [readTextFileOf(options.caFile), readTextFileOf(options.passwordFile)]
  if (!ca.ok) return `--ca-file ${ca.fault.detail}: name the certificate of the authority, in PEM`
  if (!password.ok) return `--password-file ${password.fault.detail}: name the file that holds the password`
  try {
    return mqttBroker({
      ...usualMqtt,
      ...brokerAddress(at, { ca: ca.value }),
      protocol: options.protocol === '5' ? 5 : 4,
      clientId: `motepost-${options.group}-send-${randomBytes(4).toString('hex')}`,
      sessionExpirySeconds: 0,
      username: options.username,
      password: password.value?.trimEnd(),
    })
  } catch (error) {
    return `${(error as Error).message}: name a file that can be read`
  }
}

const readTextFileOf = (file: string | undefined) =>
  file === undefined ? good(undefined) : readTextFile(file)

function privateKeyIn(file: string): KeyObject | string {
  const text = readTextFile(file)
  if (!text.ok) return `--key ${text.fault.detail}: name your private key`
  try {
    const key = createPrivateKey(text.value)
    return key.asymmetricKeyType === 'ed25519' ? key : `--key ${file}: expected an Ed25519 key`
  } catch {
    const what = text.value.includes('PUBLIC KEY')
      ? 'holds the public half'
      : 'holds none without a passphrase'
    return `--key ${file}: ${what}; expected a private key in PEM (openssl genpkey -algorithm ed25519)`
  }
}

interface Asked {
  readonly group: string
  readonly station: string
  readonly what: string
  readonly input: Readonly<Record<string, unknown>>
  readonly key: KeyObject
  readonly minutes: number
  readonly brokerName: string
}
export type Answer = Readonly<Record<string, unknown>>
type Ended = { readonly answer: Answer } | { readonly lost: string }

/**
 * The talk with one station. The boot id comes from its retained `alive`, which nobody signs. Where the board starts anew meanwhile,
 * what is harmless twice is signed anew for that boot, once; the one before is void.
 */
class Talk {
  readonly ended: Promise<Ended>
  end: (ended: Ended) => void = () => undefined
  private session: BrokerSession | undefined
  private boot: string | undefined
  private asked: string | undefined
  /** Boots that a command was signed for: nobody gets a second one by naming a boot again. */
  private readonly signedFor = new Set<string>()
  private number = 0
  private readonly publicKey: string

  constructor(private readonly about: Asked) {
    this.ended = new Promise((resolve) => (this.end = resolve))
    this.publicKey = publicHalf(about.key)
  }

  topic(what: string): string {
    return topicOf(this.about.group, this.about.station, what)
  }

  waitsFor(): string {
    const { station, group } = this.about
    return this.boot === undefined
      ? `waiting for ${station}, of which this broker holds no word (is that its name, in the group ${group}?)`
      : `waiting for ${station}`
  }

  begin(session: BrokerSession): void {
    this.session = session
    const { minutes, station } = this.about
    const timer = setTimeout(() => {
      const known =
        this.asked === undefined ? 'it has never said that it is alive' : 'the command is void now'
      this.end({
        lost: `${station}: no answer within ${minutes} min; ${known}. A key that the station does not know gets none.`,
      })
    }, minutes * 60_000)
    void this.ended.then(() => clearTimeout(timer))
    this.ask()
  }

  /** The connection ended without us. */
  broken(detail: string): void {
    const { station } = this.about
    const sent = `the command was sent and may be done all the same: ask with motepost stations send ${station} health`
    const known = this.asked === undefined ? 'nothing was sent' : sent
    this.end({
      lost: `${this.about.brokerName}: ${detail}; ${known}. Does another client log in as this user?`,
    })
  }

  hear({ topic, payload }: Message): void {
    const said = readAnswer(payload)
    const boot = bootIn(said)
    if (topic === this.topic('alive') && boot !== undefined) {
      this.boot = boot
      this.ask()
    }
    const isOurs = said.key === this.publicKey && said.number === this.number
    if (topic === this.topic('reply') && isOurs && said.boot === this.asked) this.end({ answer: said })
  }

  /** In words; undefined where stations take a command of this length. */
  tooLong(): string | undefined {
    const { length } = this.signed('00000000')
    if (length <= longestCommandBytes) return undefined
    return `${this.about.what}: signed it is ${length} bytes, and a station takes at most ${longestCommandBytes}; leave out what need not be said`
  }

  private signed(boot: string): Uint8Array {
    const { group, station, what, input, key, minutes } = this.about
    const now = Date.now()
    const number = this.number || now
    const head = { group, station, boot, key: this.publicKey, number, do: what, with: input }
    const window = { from: utcMillis(now), until: utcMillis(now + minutes * 60_000) }
    return signedCommand({ ...head, ...window }, (bytes) => sign(null, bytes, key))
  }

  /** What was sent may be done: for the new boot a second one would be done as well. */
  private began(): void {
    const { station, what } = this.about
    this.end({
      lost: `${station} says that it began anew before it answered; ${what} may be done all the same: look, then send it again`,
    })
  }

  private ask(): void {
    const { session, boot } = this
    if (!session || boot === undefined || this.signedFor.has(boot)) return
    if (this.asked !== undefined && !harmlessTwice.has(this.about.what)) return this.began()
    this.signedFor.add(boot)
    this.asked = boot
    this.number = Math.max(Date.now(), this.number + 1)
    const payload = this.signed(boot)
    const response = { responseTopic: this.topic('reply'), correlation: randomBytes(8) }
    void session.publish(this.topic('command'), payload, { retain: false, ...response }).then((sent) => {
      if (!sent.ok) this.end({ lost: faultText(sent.fault) })
    })
  }
}
