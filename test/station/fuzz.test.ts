/**
 * What a running station can be asked: over its control socket by anybody whom the file mode lets, over the link by whoever has a
 * key. Whatever it is, each is answered once, nothing throws, and the station runs on.
 */
import { generateKeyPairSync, sign } from 'node:crypto'
import { describe, expect, it } from 'vitest'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { answerRequest, type StationPorts } from '../../agent/station/station.js'
import { good, isBalanced, utcMillis, type StageCounts } from '../../agent/terms/terms.js'
import { signedCommand } from '../../agent/uplink/uplink.js'
import { must, throughAllInTurn, type Mutations } from '../support/mutations.js'
import { dustRule, energyOf, tellingOne } from '../support/station-options.js'
import { newClock, startRig, startUtc, ToldGauge, ToldSensor, type Rig } from '../support/station-rig.js'

type Uplink = ReturnType<NonNullable<StationPorts['makeUplink']>>
type Taker = NonNullable<Uplink['commands']['taker']>

const { privateKey, publicKey } = generateKeyPairSync('ed25519')
const key = publicKey.export({ format: 'der', type: 'spki' }).subarray(-32).toString('hex')

interface Life {
  readonly rig: Rig
  readonly answers: Record<string, unknown>[]
  take(payload: Uint8Array): void
}

/** A station with everything that a command can be about. */
async function begin(): Promise<Life> {
  const answers: Record<string, unknown>[] = []
  const commands: { taker?: Taker; heard: boolean; answer: (payload: Uint8Array) => Promise<void> } = {
    heard: true,
    answer: (payload) => {
      answers.push(JSON.parse(Buffer.from(payload).toString()) as Record<string, unknown>)
      return Promise.resolve()
    },
  }
  const link: Record<string, unknown> = { commands, busy: false, settled: () => Promise.resolve() }
  const uplink = new Proxy({} as Uplink, { get: (_, name) => link[String(name)] ?? (() => ({})) })
  const clock = newClock()
  const rig = await startRig(clock, new MemoryDisk(), {
    instruments: [{ sensor: new ToldSensor(clock, { pm2_5: () => 10 }) }],
    gauge: new ToldGauge({ battery_voltage: 13.3, battery_current: 0 }),
    options: { rules: [dustRule], telling: tellingOne('sms', '+10005550100'), energy: energyOf('5-of-15') },
    ports: () => ({
      makeUplink: () => uplink,
      telling: {
        ways: new Map([
          ['sms', { name: 'sms', send: () => Promise.resolve(good({ parts: 1, words: 'taken' })) }],
        ]),
        random: { next: () => 0 },
      },
      commands: { signers: () => [{ name: 'anna', role: 'operator', publicKey: key }], keepsNumbers: true },
    }),
  })
  await rig.live(120)
  return { rig, answers, take: (payload) => commands.taker!.take(payload, {}, false) }
}

const entry = {
  ...{ kind: 'excluded', from: '2026-03-01T00:00Z', to: '2026-03-01T00:01Z', name: 'mowing' },
  ...{ reason: 'mower at the fence', who: 'anna', note: 'all day', effect: 'mark' },
}
const wholeOf: readonly Record<string, unknown>[] = [
  ...[{ do: 'status' }, { do: 'list' }, { do: 'resend' }, { do: 'flush' }, { do: 'add', entry }],
  { do: 'add', entry: { kind: 'correction', corrects: 9, withdraw: 'yes', why: 'slip' } },
  { do: 'set-clock', utc: '2026-03-01T00:30:00Z', error_s: 10, confirm: true },
  ...[
    { do: 'acknowledge', what: 'K7A4' },
    { do: 'mute', what: 'all', hours: 12 },
  ],
  ...[{ do: 'send-test', to: 'ann' }, { do: 'test-result' }],
]
const commandsOf: readonly (readonly [string, Record<string, unknown>])[] = [
  ...[['health', {}] as const, ['resend', { from: 1, to: 3 }] as const, ['richer', { hours: 2 }] as const],
  ...[['clean', { instrument: 'sensor' }] as const, ['sitelog', entry] as const],
  ...[['acknowledge', { what: 'dust' }] as const, ['mute', { what: 'all', hours: 2 }] as const],
  ['settings', { text: 'station:\n  group: rig\n', file: 'a.yaml', alone: true }] as const,
]

/** Longest answer but for status and list, which have bounds of their own. */
const longestAnswer = 20_000

describe('a running station', () => {
  it('answers whatever is asked over its control socket, and runs on', async () => {
    const { rig } = await begin()
    const ends = await throughAllInTurn({
      what: 'control requests',
      inputs: 4000,
      make: (mutations) =>
        mutations.once(100) ? mutations.odd() : mutations.bentValue(mutations.of(wholeOf)),
      hold: async (request) => {
        const answer = await answerRequest(rig.station, request)
        must(typeof answer.ok === 'boolean', 'an answer without ok')
        const told = answer.status ?? answer.list ?? answer.health
        must(told !== undefined || JSON.stringify(answer).length <= longestAnswer, 'a long answer')
        return answer.ok ? 'done' : 'refused'
      },
    })
    expect(ends.get('done')).toBeGreaterThan(300)
    expect(ends.get('refused')).toBeGreaterThan(1000)
    const before = rig.store.nextSeq
    await rig.live(rig.clock.mono() + 120)
    expect(rig.store.nextSeq).toBeGreaterThan(before + 1)
    for (const line of await rig.lines()) if (line.kind === 'other') expect(line.text).toMatch(/^seal,/)
  })

  it('answers each command that is signed rightly once, whatever stands in it, and takes the next', async () => {
    const life = await begin()
    const { rig, answers } = life
    let number = 0
    const ends = await throughAllInTurn({
      what: 'commands',
      inputs: 1500,
      make: (mutations) => commandOf(mutations, ++number),
      hold: async (payload) => {
        const before = answers.length
        life.take(payload)
        // So that the most a minute are never too many.
        await rig.live(rig.clock.mono() + 3)
        must(answers.length === before + 1, `${answers.length - before} answers`)
        const answer = answers.at(-1)!
        must(typeof answer.ok === 'boolean' && answer.number === number, JSON.stringify(answer))
        must(answer.health !== undefined || JSON.stringify(answer).length <= longestAnswer, 'a long answer')
        return answer.ok ? 'done' : 'not done'
      },
    })
    expect(ends.get('done')).toBeGreaterThan(80)
    expect(ends.get('not done')).toBeGreaterThan(80)
    expect(countsOf(rig)).toMatchObject({ taken: number, given: number, held: 0 })
  })

  it('counts each message on that topic once, and is not flooded', async () => {
    const life = await begin()
    const said: Uint8Array[] = []
    await throughAllInTurn({
      what: 'messages on the topic of commands',
      inputs: 3000,
      make: (mutations) => {
        if (said.length > 0 && mutations.once(4)) return mutations.of(said)
        const payload = commandOf(mutations, 1 + mutations.pick(50))
        said.push(payload)
        return mutations.once(3) ? payload : mutations.bent(payload)
      },
      hold: async (payload) => {
        life.take(payload)
        const counts = countsOf(life.rig)
        must(isBalanced(counts), JSON.stringify(counts))
        must(counts.held <= 8, `${counts.held} wait`)
        if (counts.taken % 200 === 0) await life.rig.live(life.rig.clock.mono() + 61)
        return 'counted'
      },
    })
    const { refused } = countsOf(life.rig)
    for (const reason of ['not-understood', 'too-many', 'replayed'])
      expect(refused[reason]).toBeGreaterThan(0)
  })
})

function commandOf(mutations: Mutations, number: number): Uint8Array {
  const [what, whole] = mutations.of(commandsOf)
  const input = mutations.once(4) ? whole : mutations.bentValue(whole)
  const window = { from: utcMillis(startUtc), until: utcMillis(startUtc + 86_400_000) }
  const head = { group: 'rig', station: 'rig', boot: 'b0070001', key, number }
  return signedCommand({ ...head, ...window, do: what, with: asMap(input) }, (bytes) =>
    sign(null, bytes, privateKey),
  )
}

/** As it comes out of JSON, and nothing that the text of a command would write otherwise. */
function asMap(input: unknown): Record<string, unknown> {
  const text = JSON.stringify(input) ?? ''
  const isMap = text.startsWith('{') && text.length < 12_000
  return isMap ? (JSON.parse(text) as Record<string, unknown>) : {}
}

const countsOf = (rig: Rig): StageCounts => (rig.health() as { commands: StageCounts }).commands
