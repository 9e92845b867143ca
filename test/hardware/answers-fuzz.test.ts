/** Mail servers and web servers that answer anything, over real sockets: a message is delivered or not, in words that name nobody. */
import { createServer, type Server, type Socket } from 'node:net'
import { afterEach, beforeEach, describe, expect, it } from 'vitest'
import { mailFault } from '../../agent/hardware/mail-faults.js'
import { mailWay } from '../../agent/hardware/mail.js'
import { connectFault } from '../../agent/hardware/mqtt-faults.js'
import { fitWords } from '../../agent/hardware/way-words.js'
import { webhookWay } from '../../agent/hardware/webhook.js'
import type { OutgoingMessage, Outcome } from '../../agent/terms/terms.js'
import { must, throughAll, throughAllInTurn, type Mutations } from '../support/mutations.js'

const secrets = ['ann@example.org', 'hill@example.org', 'PassWord7']
const plain = /^[\x20-\x7e…]*$/
const named = (words: string): boolean =>
  secrets.some((secret) => words.toLowerCase().includes(secret.toLowerCase()))

function holdsOutcome(outcome: Outcome<{ readonly words: string }>, codes: RegExp): string {
  const words = outcome.ok ? outcome.value.words : outcome.fault.detail
  must(outcome.ok || codes.test(outcome.fault.code), outcome.ok ? '' : outcome.fault.code)
  must(words.length <= 300 && plain.test(words), JSON.stringify(words))
  must(!named(words), words)
  return outcome.ok ? 'delivered' : outcome.fault.code
}

describe('what another machine answers', () => {
  let server: Server
  let port = 0
  let serve: (socket: Socket) => void = () => undefined
  beforeEach(async () => {
    server = createServer((socket) => {
      socket.on('error', () => undefined)
      serve(socket)
    })
    await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve))
    port = (server.address() as { port: number }).port
  })
  afterEach(() => new Promise<void>((resolve) => server.close(() => resolve())))

  const message = {
    key: 'k1',
    to: 'ann@example.org',
    subject: 's',
    text: 'dust',
    facts: {},
  } as unknown as OutgoingMessage

  it('as a mail server delivers or is a fault, and its words name nobody', async () => {
    const ends = await throughAllInTurn({
      what: 'mail servers',
      inputs: 120,
      make: (mutations) => mutations,
      hold: async (mutations) => {
        serve = (socket) => speakSmtp(socket, mutations)
        const way = mailWay({
          host: '127.0.0.1',
          port,
          security: 'none',
          from: 'hill@example.org',
          username: 'hill@example.org',
          password: 'PassWord7',
          limitSeconds: 0.3,
        })
        return holdsOutcome(await way.send(message), /^mail-/)
      },
    })
    expect(ends.get('delivered')).toBeGreaterThan(5)
    expect(ends.size).toBeGreaterThan(3)
  })

  it('as a web server delivers by its status alone, and a body without end is left', async () => {
    const whole = Buffer.from('HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\nContent-Length: 2\r\n\r\nok')
    const ends = await throughAllInTurn({
      what: 'web servers',
      inputs: 700,
      make: (mutations) => {
        const status = mutations.of([
          '200 OK',
          '204 x',
          '301 x\r\nLocation: http://127.0.0.1/',
          '404 x',
          '429 x',
          '503 x',
          '999 x',
        ])
        const form = Buffer.from(whole.toString().replace('200 OK', status))
        return mutations.once(2) ? form : mutations.bent(form)
      },
      hold: async (answer) => {
        serve = (socket) => void socket.once('data', () => socket.end(answer))
        const to = `http://127.0.0.1:${port}/PassWord7`
        const way = webhookWay({ limitSeconds: 0.5 })
        const outcome = await way.send({ ...message, to })
        const status = Number(/^HTTP\/1\.[01] (\d{3})/.exec(answer.toString('latin1'))?.[1])
        must(!outcome.ok || (status >= 200 && status < 300), `${status} was taken for delivered`)
        return holdsOutcome(outcome, /^webhook-/)
      },
    })
    expect(ends.get('delivered')).toBeGreaterThan(50)
    expect(ends.get('webhook-refused')).toBeGreaterThan(20)
  })
})

/** Greeting, capabilities, log-in and the rest in form, each bent now and then. */
function speakSmtp(socket: Socket, mutations: Mutations): void {
  const say = (words: string): void => {
    const bytes = Buffer.from(words.replaceAll('\n', '\r\n'))
    socket.write(mutations.once(10) ? mutations.bent(bytes) : bytes)
  }
  let inMessage = false
  say('220 mail.example.org\n')
  socket.on('data', (bytes: Buffer) => {
    const text = bytes.toString('latin1')
    if (inMessage) {
      if (!text.endsWith('\r\n.\r\n')) return
      inMessage = false
      return say(
        mutations.of([
          '250 queued for <ann@example.org>\n',
          '554 PassWord7 is no good, hill@example.org\n',
          '451 later\n',
        ]),
      )
    }
    if (text.startsWith('EHLO')) return say('250-mail.example.org\n250-AUTH PLAIN LOGIN\n250 8BITMIME\n')
    if (text.startsWith('AUTH')) return say('235 in\n')
    if (text.startsWith('DATA')) {
      inMessage = true
      return say('354 go on\n')
    }
    if (text.startsWith('QUIT')) return void socket.end('221 bye\r\n')
    return say('250 well\n')
  })
}

describe('words of others', () => {
  it('are short, plain and name nobody, whatever they are', () => {
    const whole =
      '550 5.1.1 <ann@example.org>: no such user; see https://example.org/x?PassWord7 or call +49 170 5550100'
    throughAll({
      what: 'words',
      inputs: 10_000,
      make: (mutations) => (mutations.once(50) ? whole.repeat(200) : mutations.bentText(whole)),
      hold: (words) => {
        const fit = fitWords(words, secrets)
        must(fit.length <= 160 && plain.test(fit), JSON.stringify(fit))
        must(!named(fit) && !/\w@\w/.test(fit) && !/[a-z]:\/\/\w/i.test(fit), fit)
        return fit === '' ? 'nothing' : 'said'
      },
    })
  })

  it('are never why something throws: errors of any form become faults', () => {
    const error = {
      code: 'EAUTH',
      originalCode: 'ECONNRESET',
      command: 'AUTH',
      response: '535 no',
      responseCode: 535,
      message: 'Invalid login',
    }
    throughAll({
      what: 'errors',
      inputs: 5000,
      make: (mutations) =>
        mutations.bentPart(
          mutations.once(2) ? error : { message: 'certificate has expired', code: 'CERT_HAS_EXPIRED' },
        ),
      hold: (bent) => {
        const { code, originalCode, response, responseCode, message } = Object(bent) as Record<
          string,
          unknown
        >
        const text = (value: unknown): string | undefined => (typeof value === 'string' ? value : undefined)
        const given = {
          name: '',
          message: text(message) ?? '',
          code: text(code),
          originalCode: text(originalCode),
          response: text(response),
          responseCode: typeof responseCode === 'number' ? responseCode : undefined,
        }
        const mail = mailFault(given as Error, secrets)
        const link = connectFault('host:1883', given)
        must(mail.code.startsWith('mail-') && link.code.startsWith('broker-'), `${mail.code} ${link.code}`)
        return mail.code
      },
    })
  })
})
