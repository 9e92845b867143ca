import { mkdtempSync, readFileSync, rmSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest'
import { mailWay, tryMailServer, type MailOptions } from '../../agent/hardware/mail.js'
import type { Outcome } from '../../agent/terms/terms.js'
import {
  drip,
  startMailServer,
  startRawServer,
  type MailServer,
  type MailServerOptions,
  type RawServer,
} from '../support/mail-server.js'
import { hasOpenssl, selfSigned, type Certificate } from '../support/mosquitto.js'
import { waitFor } from '../support/wait.js'
import { messageTo, wayContract } from '../support/way-contract.js'

const to = 'warden.secretname@phone.example.org'
const from = 'station@hollow.example.org'

const optionsFor = (port: number, more: Partial<MailOptions> = {}): MailOptions => ({
  host: 'localhost',
  port,
  security: 'none',
  from,
  limitSeconds: 20,
  resolve: () => Promise.resolve([{ address: '127.0.0.1', family: 4 }]),
  ...more,
})

const stops: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const stop of stops.splice(0)) await stop()
})
async function server(options: MailServerOptions = {}): Promise<MailServer> {
  const made = await startMailServer(options)
  stops.push(made.stop)
  return made
}
async function raw(...how: Parameters<typeof startRawServer>): Promise<RawServer> {
  const made = await startRawServer(...how)
  stops.push(made.stop)
  return made
}
const send = (options: MailOptions) => mailWay(options).send(messageTo(to))
const codeOf = (outcome: Outcome<unknown>) => (outcome.ok ? 'taken' : outcome.fault.code)

describe('mail that is taken', () => {
  it('comes as one plain text with subject, sender and recipient, and says that a program wrote it', async () => {
    const { port, mails } = await server()
    const message = messageTo(to, { subject: 'Käse: PM10 raised', text: 'PM10 162 µg/m³\n.\nnot the end' })
    expect(await mailWay(optionsFor(port)).send(message)).toMatchObject({ ok: true })
    expect(mails).toHaveLength(1)
    expect(mails[0]).toMatchObject({ from, to: [to] })
    const [head, body] = mails[0].text.split('\r\n\r\n')
    expect(head).toMatch(/^Auto-Submitted: auto-generated$/im)
    // RFC 2047
    expect(head).toMatch(/^Subject: =\?UTF-8\?Q\?K=C3=A4se/m)
    expect(head).toMatch(/^Content-Transfer-Encoding: quoted-printable$/m)
    expect(body).toMatch(/^PM10 162 =C2=B5g\/m=C2=B3\r\n\.\r\nnot the end\s*$/)
  })

  it('has the same Message-ID at each attempt, and another for another message', async () => {
    const { port, mails } = await server()
    const way = mailWay(optionsFor(port))
    for (const key of ['a', 'a', 'b']) await way.send(messageTo(to, { key }))
    const ids = mails.map(
      ({ text }) => /^Message-ID: (<[0-9a-f]{32}@hollow\.example\.org>)/im.exec(text)?.[1],
    )
    expect(ids[0]).toBeDefined()
    expect(ids[1]).toBe(ids[0])
    expect(ids[2]).not.toBe(ids[0])
  })

  it('logs in first where a user is given, and sends to a server that wants it', async () => {
    const { port, mails } = await server({ login: { user: 'north', password: 'a b"c' } })
    expect(codeOf(await send(optionsFor(port, { username: 'north', password: 'a b"c' })))).toBe('taken')
    expect(mails[0].user).toBe('north')
  })

  it('leaves no connection behind', async () => {
    const socketsBefore = process.getActiveResourcesInfo().filter((name) => name === 'TCPSocketWrap').length
    const { port } = await server()
    await send(optionsFor(port))
    await waitFor('the connection to close', () => {
      const now = process.getActiveResourcesInfo().filter((name) => name === 'TCPSocketWrap').length
      return now <= socketsBefore
    })
  })
})

describe('mail that is refused', () => {
  it.each([
    [550, 'mail-refused'],
    [451, 'mail-deferred'],
    [503, 'mail-deferred'],
    [421, 'mail-deferred'],
  ])('is answered for good or for now as the server says: %i at the recipient', async (code, fault) => {
    const { port, mails } = await server({
      refuses: (recipient) => ({ code, words: `5.1.1 <${recipient}> box of ${recipient.split('@')[0]}` }),
    })
    const answer = await send(optionsFor(port))
    expect(codeOf(answer)).toBe(fault)
    expect(JSON.stringify(answer)).toContain(String(code))
    expect(JSON.stringify(answer)).not.toMatch(/secretname|phone\.example/)
    expect(mails).toHaveLength(0)
  })

  it.each([
    [554, 'mail-refused'],
    [452, 'mail-deferred'],
  ])('after the text as well: %i', async (code, fault) => {
    const { port } = await server({ refusesMail: { code, words: 'not this one' } })
    expect(codeOf(await send(optionsFor(port)))).toBe(fault)
  })

  it('by a wrong password is a matter for a person, and shows neither user nor password', async () => {
    const { port } = await server({ login: { user: 'north', password: 'right-one' } })
    const answer = await send(optionsFor(port, { username: 'north.user', password: 'wrong-secret' }))
    expect(codeOf(answer)).toBe('mail-login')
    expect(JSON.stringify(answer)).toContain('535')
    expect(JSON.stringify(answer)).not.toMatch(/north\.user|wrong-secret/)
  })

  it('by a greeting that turns everybody away', async () => {
    const { port } = await raw((socket) => socket.end('554 no service here\r\n'))
    expect(codeOf(await send(optionsFor(port)))).toBe('mail-refused')
  })

  it('by nobody: no server, a name that does not exist, and a line that is cut', async () => {
    const gone = await startRawServer(() => undefined)
    await gone.stop()
    expect(await send(optionsFor(gone.port))).toMatchObject({
      fault: { code: 'mail-unreachable', detail: 'ECONNREFUSED' },
    })
    const nobody = () => Promise.reject(Object.assign(new Error('no hidden.example'), { code: 'ENOTFOUND' }))
    expect(await send(optionsFor(25, { resolve: nobody }))).toMatchObject({
      fault: { code: 'mail-unreachable', detail: 'ENOTFOUND' },
    })
    const cut = await raw((socket) => setTimeout(() => socket.destroy(), 1))
    expect(codeOf(await send(optionsFor(cut.port)))).toBe('mail-unreachable')
  })
})

describe('a mail server that never answers', () => {
  const limitSeconds = 0.3

  it('is left after the limit: accepts and stays silent', async () => {
    const sink = await raw(() => undefined)
    expect(codeOf(await send(optionsFor(sink.port, { limitSeconds })))).toBe('mail-silent')
    await waitFor('the connection to be let go', () => sink.open() === 0)
  })

  it('is left after the limit though every single byte came in time', async () => {
    const slow = await raw(drip('220-still greeting\r\n', 20))
    expect(codeOf(await send(optionsFor(slow.port, { limitSeconds })))).toBe('mail-silent')
    await waitFor('the connection to be let go', () => slow.open() === 0)
  })

  it('is left after the limit where it takes the text and says nothing more', async () => {
    const words = ['250 hello\r\n', '250 ok\r\n', '250 ok\r\n', '354 go on\r\n']
    const mute = await raw((socket) => {
      socket.write('220 mute\r\n')
      socket.on('data', () => words.length > 0 && socket.write(words.shift()!))
    })
    expect(codeOf(await send(optionsFor(mute.port, { limitSeconds })))).toBe('mail-silent')
    await waitFor('the connection to be let go', () => mute.open() === 0)
  })

  it('is left after the limit where no name service answers', async () => {
    const resolve = () => new Promise<never>(() => undefined)
    expect(codeOf(await send(optionsFor(25, { limitSeconds, resolve })))).toBe('mail-silent')
  })
})

describe.skipIf(!hasOpenssl)('mail over TLS (skipped without openssl)', () => {
  const folder = mkdtempSync(join(tmpdir(), 'motepost-mail-'))
  afterAll(() => rmSync(folder, { recursive: true, force: true }))
  let certificate: Certificate
  let ca: string
  beforeAll(() => {
    certificate = selfSigned(folder, 'localhost')
    ca = readFileSync(certificate.certFile, 'utf8')
  })

  it.each(['tls', 'starttls'] as const)(
    'is sent by %s to a server that its CA vouches for',
    async (security) => {
      const { port, mails } = await server({ certificate, secure: security === 'tls' })
      expect(codeOf(await send(optionsFor(port, { security, ca })))).toBe('taken')
      expect(mails).toHaveLength(1)
    },
  )

  it.each(['tls', 'starttls'] as const)('is not sent by %s where nobody vouches', async (security) => {
    const { port, mails } = await server({ certificate, secure: security === 'tls' })
    expect(await send(optionsFor(port, { security }))).toMatchObject({
      fault: { code: 'mail-certificate', detail: 'its certificate is self-signed' },
    })
    expect(mails).toHaveLength(0)
  })

  it('is not sent in the clear where starttls is asked for and not offered', async () => {
    const { port, mails } = await server()
    expect(codeOf(await send(optionsFor(port, { security: 'starttls' })))).toBe('mail-certificate')
    expect(mails).toHaveLength(0)
  })

  it('tells a certificate of another name and one out of its time, and never the names', async () => {
    const other = selfSigned(folder, 'hidden.example.org')
    const named = await server({ certificate: other, secure: true })
    const ofOther = await send(
      optionsFor(named.port, { security: 'tls', ca: readFileSync(other.certFile, 'utf8') }),
    )
    expect(ofOther).toMatchObject({
      fault: { code: 'mail-certificate', detail: expect.stringContaining('name') },
    })
    expect(JSON.stringify(ofOther)).not.toContain('hidden')
    const old = selfSigned(mkdtempSync(join(folder, 'old-')), 'localhost', {
      from: '20000101000000Z',
      to: '20010101000000Z',
    })
    const late = await server({ certificate: old, secure: true })
    expect(
      await send(optionsFor(late.port, { security: 'tls', ca: readFileSync(old.certFile, 'utf8') })),
    ).toMatchObject({ fault: { code: 'mail-certificate', detail: expect.stringContaining('clock') } })
  })
})

describe('trying a mail server', () => {
  it('greets and logs in, and sends nothing', async () => {
    const { port, mails } = await server({ login: { user: 'north', password: 'right-one' } })
    expect(await tryMailServer(optionsFor(port, { username: 'north', password: 'right-one' }))).toMatchObject(
      { ok: true },
    )
    expect(codeOf(await tryMailServer(optionsFor(port, { username: 'north', password: 'no' })))).toBe(
      'mail-login',
    )
    expect(mails).toHaveLength(0)
  })
})

describe('by the contract of ways', () => {
  let mood = 'well'
  let main: MailServer
  let sink: RawServer
  beforeAll(async () => {
    const refusals = { busy: { code: 451, words: '4.3.2 later' }, refusing: { code: 550, words: `no ${to}` } }
    main = await startMailServer({ refuses: () => refusals[mood as keyof typeof refusals] })
    sink = await startRawServer(() => undefined)
  })
  afterAll(async () => {
    await main.stop()
    await sink.stop()
  })
  wayContract('e-mail on a real SMTP server', () => ({
    way: {
      name: 'email',
      send: (message) =>
        mailWay(
          mood === 'silent' ? optionsFor(sink.port, { limitSeconds: 0.3 }) : optionsFor(main.port),
        ).send(message),
    },
    to,
    taken: () => main.mails.length,
    texts: () => main.mails.map(({ text }) => text.replace(/=\r\n/g, '')),
    become: (next) => void (mood = next),
    secrets: [to, 'secretname', from],
  }))
})
