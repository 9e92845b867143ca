/** The open doors under requests that nobody meant, over real sockets: each gets one answer of a known form, and none reaches further. */
import { connect } from 'node:net'
import { afterEach, describe, expect, it } from 'vitest'
import { passwordHash, PasswordGate, readPasswordHash } from '../../agent/cli/open-doors-guard.js'
import { openDoors } from '../../agent/cli/open-doors.js'
import { readCollectorStatus } from '../../agent/cli/stations-status-shape.js'
import { must, throughAllInTurn, type Mutations } from '../support/mutations.js'
import { removeFolders, value } from './desk-rig.js'
import { archiveOfTwo, endAll, madeStatus } from './stations-rig.js'

const closers: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const close of closers.splice(0)) await close()
  await endAll()
  removeFolders()
})

/** All that comes back until the other side ends. */
function asked(port: number, bytes: Uint8Array): Promise<string> {
  return new Promise((resolve) => {
    const socket = connect(port, '127.0.0.1')
    let text = ''
    socket.on('error', () => undefined)
    socket.on('data', (piece: Buffer) => (text += piece.toString('latin1')))
    socket.on('close', () => resolve(text))
    socket.end(bytes)
  })
}

const requestOf = (path: string): Buffer =>
  Buffer.from(
    `GET ${path} HTTP/1.1\r\nHost: 127.0.0.1:8080\r\nAccept: */*\r\nAuthorization: Basic YW5uYTpzZWNyZXQ=\r\nConnection: close\r\n\r\n`,
  )

const oddQueries = [
  '%00',
  '%0a--settings=/etc/passwd',
  '--store',
  '/etc/passwd',
  '%',
  '%ff',
  '&from=1',
  '%F0%9F%98%80',
]

const statuses = [200, 400, 404, 405, 413, 414, 421, 503]
/** What node itself says before anything of ours is asked (RFC 9110, RFC 6585). */
const ofNode = [400, 408, 417, 431, 505]

function holdsAnswer(text: string, archive: string): string {
  if (text === '') return 'closed'
  const [head, body = ''] = text.split(/\r\n\r\n(.*)/s)
  const status = Number(/^HTTP\/1\.1 (\d{3}) /.exec(head)?.[1])
  if (!head.includes('Content-Security-Policy')) {
    must(ofNode.includes(status), text.slice(0, 300))
    return `${status} of node`
  }
  must(statuses.includes(status), text.slice(0, 600))
  must(text.length < 200_000, `${text.length} characters`)
  must(!/^(set-cookie|location|access-control)/im.test(head), head)
  if (status >= 400 && body !== '')
    must((JSON.parse(Buffer.from(body, 'latin1').toString()) as { status: number }).status === status, body)
  // The program in the place of motepost says what it was called with.
  const words = /(?:^|\n)(averages --json|export --of \w+ --format \w+) --store (\S+)([^\n]*)/.exec(body)
  if (words) {
    must(words[2].startsWith(`${archive}/`) && !words[2].includes('..'), words[2])
    must(/^( --(from|to|channel|zone)=.*)*$/.test(words[3]), words[3])
  }
  return String(status)
}

describe('the open doors', () => {
  it('answer any bytes with one answer of theirs, and call nothing but their own program with their own words', async () => {
    const archive = await archiveOfTwo()
    const status = readCollectorStatus(madeStatus())
    let now = 0
    const parts = {
      archive,
      status: () => status,
      nowSeconds: () => (now += 60),
      program: ['/bin/echo'] as const,
    }
    const { port, close } = value(await openDoors({ place: { host: '127.0.0.1', port: 0 } }, parts))
    closers.push(close)
    const station = status!.stations[0].station
    const paths = [
      ...['/stations', '/metrics', '/openapi.json', `/stations/${station}`, '/../../etc/passwd'],
      `/stations/${station}/averages?from=2026-03-01&zone=%2B01:00`,
      `/stations/${station}/records?of=hours&format=csv&channel=pm2_5&to=2026-03-02`,
    ]
    const ends = await throughAllInTurn({
      what: 'HTTP requests',
      inputs: 2500,
      make: (mutations) => bentRequest(mutations, paths),
      hold: async (bytes) => holdsAnswer(await asked(port, bytes), archive),
    })
    for (const end of ['200', '400', '404', '405', '421']) expect(ends.get(end)).toBeGreaterThan(10)
    expect(await asked(port, requestOf('/stations'))).toMatch(/^HTTP\/1\.1 200 /)
  })

  it('let in the right password only, however it is written', async () => {
    const hash = readPasswordHash(await passwordHash('secret'))!
    const gate = new PasswordGate(hash)
    const right = `Basic ${Buffer.from('anna:secret').toString('base64')}`
    await throughAllInTurn({
      what: 'passwords',
      // Each well-formed guess costs 50 ms of work: that is what it is for.
      inputs: 60,
      make: (mutations) => (mutations.once(3) ? right : mutations.bentText(right)),
      hold: async (authorization) => {
        const [, encoded = ''] = /^basic ([A-Za-z0-9+/=]+)$/i.exec(authorization) ?? []
        const said = Buffer.from(encoded, 'base64').toString()
        const isRight = said.slice(said.indexOf(':') + 1) === 'secret' && said.includes(':')
        must(
          (await gate.lets(authorization)) === isRight,
          `${said} is taken for ${isRight ? 'wrong' : 'right'}`,
        )
        return isRight ? 'right' : 'wrong'
      },
    })
  })
})

function bentRequest(mutations: Mutations, paths: readonly string[]): Buffer {
  const path = mutations.of(paths)
  return mutations.of([
    () => mutations.bent(requestOf(path)),
    () => requestOf(mutations.bentText(path)),
    () => requestOf(`${path}${path.includes('?') ? '&' : '?'}channel=${mutations.of(oddQueries)}`),
    () => requestOf(path.replace(/=[^&]*/, `=${mutations.of(oddQueries)}`)),
    () => Buffer.concat([requestOf(path), mutations.noise()]),
    () =>
      Buffer.from(
        requestOf(path)
          .toString()
          .replace(
            'Host: 127.0.0.1',
            `Host: ${mutations.of(['evil.example', '[::1', '', '127.0.0.1.evil.example'])}`,
          ),
      ),
    () =>
      Buffer.from(
        requestOf(path)
          .toString()
          .replace('GET', mutations.of(['POST', 'HEAD', 'PUT', 'get', 'CONNECT', 'OPTIONS'])),
      ),
    () => requestOf(path + 'x'.repeat(mutations.pick(12_000))),
  ])()
}
