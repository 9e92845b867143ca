/**
 * Both ends of the control socket under bytes that nobody meant, over real sockets: a client that writes anything in any pieces, and
 * something in the agent's place that answers anything.
 */
import { mkdtempSync } from 'node:fs'
import { connect, createServer, type Server, type Socket } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterEach, describe, expect, it } from 'vitest'
import { askControl, listenControl, usualControl } from '../../agent/hardware/control-socket.js'
import { answerLimits, answerJson, answerText, bootIn, readAnswer } from '../../agent/cli/stations-answer.js'
import { operatorsIn, mostOperators, operatorsText, publicKeyIn } from '../../agent/cli/operators.js'
import { longestParsed, must, throughAll, throughAllInTurn } from '../support/mutations.js'

const folder = mkdtempSync(join(tmpdir(), 'motepost-control-fuzz-'))
let names = 0
const freshPath = (): string => join(folder, `c${names++}.sock`)

const closers: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const close of closers.splice(0)) await close()
})

const request = Buffer.from(
  '{"do":"add","entry":{"kind":"observed","note":"a fox","from":"2026-03-01T08:30Z"}}\n',
)
const requestBytes = 400

/** All that comes until the other side ends. */
const heard = (socket: Socket): Promise<string> =>
  new Promise((resolve) => {
    let text = ''
    socket.on('error', () => undefined)
    socket.on('data', (bytes: Buffer) => (text += bytes.toString()))
    socket.on('close', () => resolve(text))
  })

/** How many answers are due: one a line, and one more for a line that is too long, which is the last. */
function due(bytes: Buffer): number {
  let count = 0
  for (let at = 0; ;) {
    const end = bytes.indexOf(10, at)
    const length = (end < 0 ? bytes.length : end) - at
    if (length > requestBytes) return count + 1
    if (end < 0) return count
    count++
    at = end + 1
  }
}

describe('the control socket, written to by anybody', () => {
  it('answers every line once, in JSON, and ends with the first that is too long', async () => {
    const path = freshPath()
    const given: unknown[] = []
    const handle = (asked: unknown): Promise<unknown> => {
      given.push(asked)
      return Promise.resolve({ ok: true, n: given.length })
    }
    const limits = { ...usualControl, requestBytes, idleSeconds: 5 }
    const opened = await listenControl({ path, mode: 0o600, limits }, handle)
    if (!opened.ok) throw new Error(opened.fault.detail)
    closers.push(() => opened.value.close())
    const ends = await throughAllInTurn({
      what: 'clients of the control socket',
      inputs: 700,
      make: (mutations) => {
        const lines = Array.from({ length: 1 + mutations.pick(8) }, () =>
          mutations.once(3) ? request : mutations.bent(request),
        )
        const bytes = Buffer.concat(lines)
        return { bytes, cut: mutations.pick(bytes.length + 1) }
      },
      hold: async ({ bytes, cut }) => {
        const socket = connect(path)
        const came = heard(socket)
        socket.write(bytes.subarray(0, cut))
        await new Promise((resolve) => setImmediate(resolve))
        socket.end(bytes.subarray(cut))
        const answers = (await came).split('\n').slice(0, -1)
        for (const answer of answers)
          must(typeof (JSON.parse(answer) as { ok: unknown }).ok === 'boolean', answer)
        // Who goes before the answers came is answered no more: there are never more than are due.
        must(answers.length <= due(bytes), `${answers.length} answers for ${due(bytes)}`)
        return answers.length === due(bytes) ? 'all answered' : 'gone before'
      },
    })
    expect(ends.get('all answered')).toBeGreaterThan(300)
    for (const one of given) expect(JSON.stringify(one).length).toBeLessThanOrEqual(2 * requestBytes)
    expect(await askControl(path, { do: 'status' })).toMatchObject({ ok: true })
  })
})

describe('what answers in the place of an agent', () => {
  let server: Server | undefined
  afterEach(() => new Promise<void>((resolve) => (server ? server.close(() => resolve()) : resolve())))

  it('gives an object or a fault, whatever it says', async () => {
    const path = freshPath()
    const whole = Buffer.from('{"ok":true,"status":{"station":"hill","faults":[{"code":"disk-full"}]}}\n')
    let answer: Buffer = whole
    server = createServer((socket) => {
      socket.on('error', () => undefined)
      socket.once('data', () => socket.end(answer))
    })
    await new Promise<void>((resolve) => server!.listen(path, resolve))
    const ends = await throughAllInTurn({
      what: 'answers of an agent',
      inputs: 1500,
      make: (mutations) =>
        mutations.once(3)
          ? Buffer.from(`${JSON.stringify(mutations.bentValue({ ok: true, words: 'x' })) ?? ''}\n`)
          : mutations.bent(whole),
      hold: async (bytes) => {
        answer = bytes
        const asked = await askControl(path, { do: 'status' }, 5)
        if (!asked.ok) must(asked.fault.code === 'agent-silent', asked.fault.code)
        else must(typeof asked.value === 'object' && asked.value !== null, 'no object')
        return asked.ok ? 'object' : 'fault'
      },
    })
    expect(ends.get('object')).toBeGreaterThan(100)
    expect(ends.get('fault')).toBeGreaterThan(300)
  })
})

describe('what a station answers to a command, for the desk', () => {
  it('is bounded before it is decoded, and moves no cursor', () => {
    const whole = {
      ...{ v: 1, key: 'aa', number: 7, boot: '0a1b2c3d', ok: false, refused: 'replayed', words: 'no' },
      ...{ faults: [{ key: 'from', words: 'from: is missing' }], at: '2026-03-01T00:00:00Z' },
    }
    throughAll({
      what: 'answers to commands',
      inputs: 10_000,
      make: (mutations) => {
        const { words, faults, ...head } = whole
        const value = mutations.of([whole, { ...head, faults }, { ...head, health: { words } }])
        return mutations.once(2)
          ? Buffer.from(JSON.stringify(mutations.bentValue(value)) ?? '')
          : mutations.bent(Buffer.from(JSON.stringify(value)))
      },
      hold: (payload) => {
        const { value: answer, characters } = longestParsed(() => readAnswer(payload))
        must(characters <= answerLimits.bytes, `${characters} characters were decoded`)
        must(/^[0-9a-f]{8}$/.test(bootIn(answer) ?? '00000000'), 'a boot that is none')
        for (const text of [answerText(answer, 'hill'), answerJson(answer)])
          must(
            !/[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u202a-\u202e\u2066-\u2069]/.test(text),
            JSON.stringify(text),
          )
        must(!answerJson(answer).includes('\n'), 'more than one line')
        return Object.keys(answer).length > 0 ? 'read' : 'nothing'
      },
    })
  })
})

describe('the file of operators, and keys as people hand them over', () => {
  it('are read as they would be written, or refused with the line', () => {
    const text = operatorsText([
      { role: 'operator', publicKey: 'ab'.repeat(32), name: 'anna' },
      { role: 'reader', publicKey: '12'.repeat(32), name: 'ben' },
    ])
    throughAll({
      what: 'operators',
      inputs: 5000,
      make: (mutations) => mutations.bentText(text),
      hold: (bent) => {
        const read = operatorsIn(bent)
        must(/^[0-9a-f]{64}$/.test(publicKeyIn(bent) ?? '0'.repeat(64)), 'a key that is none')
        if ('wrongLine' in read) {
          must(read.wrongLine >= 1 && read.wrongLine <= bent.split('\n').length, 'a line that is not there')
          return 'refused'
        }
        must(read.length <= mostOperators, 'too many')
        const again = operatorsIn(operatorsText(read))
        must(JSON.stringify(again) === JSON.stringify(read), 'written again it is another')
        return 'read'
      },
    })
  })
})
