import { spawn } from 'node:child_process'
import { once } from 'node:events'
import { existsSync, readFileSync, statSync, writeFileSync } from 'node:fs'
import { connect } from 'node:net'
import { request } from 'node:http'
import { join } from 'node:path'
import { Ajv2020 } from 'ajv/dist/2020.js'
import { afterEach, describe, expect, it } from 'vitest'
import { doorsOf } from '../../agent/cli/collect-doors.js'
import { httpPassword } from '../../agent/cli/http-password.js'
import { FigureDoor } from '../../agent/cli/open-doors-figures.js'
import { passwordHash, PasswordGate, RateLimit, readPasswordHash } from '../../agent/cli/open-doors-guard.js'
import { doorsIn, openDoors } from '../../agent/cli/open-doors.js'
import { readCollectorStatus } from '../../agent/cli/stations-status-shape.js'
import { isLoopback, listenHttp, problem, usualHttp } from '../../agent/hardware/http-server.js'
import { ran, removeFolders, value } from './desk-rig.js'
import { expectOpenMetrics } from './open-metrics.js'
import { archiveFolder, archiveOfTwo, endAll, madeStatus } from './stations-rig.js'

const main = join(import.meta.dirname, '../../dist/agent/cli/main.js')
const built = existsSync(main)
if (!built) console.info('skipped: figures over HTTP need the built program (npm run build)')

const closers: (() => Promise<void>)[] = []
afterEach(async () => {
  for (const close of closers.splice(0)) await close()
  await endAll()
  removeFolders()
})

interface Opening {
  readonly archive?: string
  readonly status?: unknown
  readonly password?: string
  readonly nowSeconds?: () => number
}

/** @returns the address at which the doors stand open */
async function opened({
  archive,
  status = madeStatus(),
  password,
  nowSeconds,
}: Opening = {}): Promise<string> {
  const doors = {
    place: { host: '127.0.0.1', port: 0 },
    ...(password === undefined ? {} : { password: readPasswordHash(await passwordHash(password))! }),
  }
  const server = value(
    await openDoors(doors, {
      archive: archive ?? archiveFolder(),
      status: () => readCollectorStatus(status),
      nowSeconds: nowSeconds ?? (() => 0),
      program: [process.execPath, main],
    }),
  )
  closers.push(server.close)
  return `http://127.0.0.1:${server.port}`
}

/** Holds an answer against what the document says of its path and status. */
async function asDocumented(base: string, path: string, template: string): Promise<unknown> {
  const document = (await (await fetch(`${base}/openapi.json`)).json()) as {
    paths: Record<
      string,
      { get: { responses: Record<string, { content: Record<string, { schema: object }> }> } }
    >
    components: object
  }
  const answer = await fetch(base + path)
  const { responses } = document.paths[template].get
  const { content } = responses[String(answer.status)] ?? responses.default
  const type = answer.headers.get('content-type')!.split(';')[0]
  expect(Object.keys(content)).toContain(type)
  const text = await answer.text()
  const told: unknown = type.endsWith('json') ? JSON.parse(text) : text
  const ajv = new Ajv2020({ strict: false, validateFormats: false })
  const validate = ajv.compile({ ...content[type].schema, components: document.components })
  validate(told)
  expect(validate.errors, path).toBeNull()
  return told
}

const register = `stations:
  - station: gate
    name: Gate
    latitude: 12.345678
    longitude: -76.98765
    notes: [key with the harbour master]
    photos: [gate-1.jpg]
`

describe('the open doors of a collector', () => {
  it('tell of all stations and of one, as their OpenAPI document says', async () => {
    const archive = archiveFolder()
    writeFileSync(join(archive, 'register.yaml'), register)
    const base = await opened({ archive })
    const all = (await asDocumented(base, '/stations', '/stations')) as { stations: { station: string }[] }
    expect(all.stations.map(({ station }) => station)[0]).toBe('north-fence')
    const one = await asDocumented(base, '/stations/gate', '/stations/{station}')
    expect(one).toMatchObject({
      standing: { state: 'well' },
      registered: { latitude: 12.35, longitude: -76.99 },
    })
    expect(await asDocumented(base, '/stations/gaet', '/stations/{station}')).toMatchObject({ status: 404 })
    await asDocumented(base, '/openapi.json', '/openapi.json')
  })

  it('are documented with a database beside the archive too', async () => {
    const status = { ...madeStatus(), postgres: { state: 'waiting', stores_waiting: 2, behind_s: 90 } }
    const base = await opened({ status })
    expect(await asDocumented(base, '/stations', '/stations')).toMatchObject({
      postgres: { stores_waiting: 2 },
      refused_lately: [{ reason: 'wrong-name' }, { topic: 'motepost/1/oakfield/mallory/lines' }],
    })
  })

  it('tell no exact position, note or photo', async () => {
    const archive = archiveFolder()
    writeFileSync(join(archive, 'register.yaml'), register)
    const base = await opened({ archive })
    for (const path of ['/stations', '/stations/gate', '/metrics']) {
      const text = await (await fetch(base + path)).text()
      expect(text).not.toMatch(/12\.34|76\.987|harbour master|gate-1/)
    }
  })

  it('give OpenMetrics text that follows the grammar of the specification', async () => {
    const base = await opened()
    const answer = await fetch(`${base}/metrics`)
    expect(answer.headers.get('content-type')).toBe(
      'application/openmetrics-text; version=1.0.0; charset=utf-8',
    )
    const samples = expectOpenMetrics(await answer.text())
    expect(samples).toContain('motepost_station_state{station="harbour",motepost_station_state="trouble"} 1')
    expect(samples).toContain('motepost_station_capture_ratio{station="gate"} 0.992')
    expect(samples).toContain('motepost_station_clock_offset_seconds{station="harbour"} 259200')
    expect(
      samples.some((one) => /^motepost_station_reason\{station="harbour",code="[a-z-]+"\} 1$/.test(one)),
    ).toBe(true)
    expect(samples).toContain('motepost_collector_packs_total{outcome="refused: too-deep"} 2')
  })

  it.skipIf(!built)(
    'give averages and records of a station from the archive',
    { timeout: 120_000 },
    async () => {
      const base = await opened({ archive: await archiveOfTwo() })
      const of = (path: string, template: string) =>
        asDocumented(base, `/stations/gate/${path}`, `/stations/{station}/${template}`)
      const averages = (await of('averages?from=2026-03-03', 'averages')) as {
        series: { periods: unknown[] }[]
      }
      expect(averages.series[0].periods).toHaveLength(2)
      const csv = (await of('records?of=hours', 'records')) as string
      expect(csv.trimEnd().split('\r\n')).toHaveLength(3)
      const senml = (await of(
        'records?format=senml&from=2026-03-03%2000:00&to=2026-03-03%2000:02',
        'records',
      )) as object[]
      expect(senml[0]).toMatchObject({ bn: 'gate/', bver: 26 })
      expect(await of('records?from=noon', 'records')).toMatchObject({
        status: 400,
        detail: expect.stringContaining('noon'),
      })
      expect(await of('records?format=xml', 'records')).toMatchObject({ status: 400 })
      expect(await of('averages?out=/etc/x', 'averages')).toMatchObject({ status: 400 })
      expect(await of('records?store=../harbour', 'records')).toMatchObject({ status: 400 })
      expect((await fetch(`${base}/stations/quarry/records`)).status).toBe(404)
    },
  )

  it('answer reading only, in bounds', async () => {
    const base = await opened()
    for (const method of ['POST', 'PUT', 'DELETE', 'OPTIONS']) {
      const answer = await fetch(`${base}/stations`, { method })
      expect([method, answer.status, answer.headers.get('allow')]).toEqual([method, 405, 'GET, HEAD'])
    }
    expect(await (await fetch(`${base}/stations`, { method: 'HEAD' })).text()).toBe('')
    for (const path of [
      '/stations/..%2f..%2fetc',
      '/stations/GATE',
      '/stations/gate/',
      '/%00',
      '/register.yaml',
    ])
      expect([path, (await fetch(base + path)).status]).toEqual([path, 404])
    expect((await fetch(`${base}/stations?${'x'.repeat(2000)}`)).status).toBe(414)
    expect((await fetch(`${base}/stations`, { headers: { 'x-much': 'x'.repeat(9000) } })).status).toBe(431)
    expect(
      await rawly(base, 'GET /stations HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\n\r\nhello'),
    ).toMatch(/^HTTP\/1\.1 413/)
    expect(await rawly(base, 'nonsense\r\n\r\n')).toMatch(/^HTTP\/1\.1 400/)
  })

  it('say that they cannot say yet', async () => {
    const base = await opened({ status: {} })
    expect((await fetch(`${base}/stations`)).status).toBe(503)
  })

  it('ask for the password, and not again and again by the slow hash', async () => {
    const base = await opened({ password: 'slate and hollow' })
    const asked = (password?: string) =>
      fetch(`${base}/stations`, {
        headers: password === undefined ? {} : { authorization: `Basic ${btoa(`any:${password}`)}` },
      }).then(({ status }) => status)
    expect(await asked()).toBe(401)
    expect(await asked('slate and hollow')).toBe(200)
    const wrong = []
    for (let i = 0; i < 7; i++) wrong.push(await asked('guess'))
    expect(wrong).toEqual([401, 401, 401, 401, 401, 429, 429])
    expect(await asked('slate and hollow')).toBe(200)
  })

  it('do not look at a guess of who guessed too often, so that a right one is not learned', async () => {
    let now = 0
    const base = await opened({ password: 'slate and hollow', nowSeconds: () => now })
    const asked = (password: string) =>
      fetch(`${base}/stations`, { headers: { authorization: `Basic ${btoa(`any:${password}`)}` } }).then(
        ({ status }) => status,
      )
    for (let i = 0; i < 5; i++) expect(await asked('guess')).toBe(401)
    expect(await asked('slate and hollow')).toBe(429)
    now += 13
    expect(await asked('slate and hollow')).toBe(200)
  })

  it('let nobody ask for ever more', async () => {
    let now = 0
    const base = await opened({ nowSeconds: () => now })
    const ask = async () => (await fetch(`${base}/metrics`)).status
    const answers = []
    for (let i = 0; i < 62; i++) answers.push(await ask())
    expect([answers.filter((one) => one === 200).length, answers.at(-1)]).toEqual([60, 429])
    now += 1
    expect([await ask(), await ask(), await ask()]).toEqual([200, 200, 429])
  })

  it('do not answer a page that calls this machine by another name', async () => {
    const base = await opened()
    const status = await new Promise((resolve, reject) => {
      request(`${base}/stations`, { headers: { host: 'evil.example:80' } }, (answer) => {
        answer.resume()
        resolve(answer.statusCode)
      })
        .on('error', reject)
        .end()
    })
    expect(status).toBe(421)
  })
})

/** What comes back to bytes as they are. */
function rawly(base: string, text: string): Promise<string> {
  return new Promise((resolve, reject) => {
    const socket = connect(Number(new URL(base).port), '127.0.0.1', () => socket.write(text))
    let told = ''
    socket
      .on('data', (bytes) => (told += String(bytes)))
      .on('close', () => resolve(told))
      .on('error', reject)
  })
}

describe('collect --http', () => {
  it.skipIf(!built)(
    'opens the doors of a running collector, also while no broker is there',
    { timeout: 60_000 },
    async () => {
      const archive = archiveFolder()
      const words = ['--broker', 'mqtt://127.0.0.1:1', '--group', 'slate-hollow', '--archive', archive]
      const child = spawn(process.execPath, [main, 'collect', ...words, '--http', '127.0.0.1:0'])
      closers.push(async () => {
        child.kill('SIGTERM')
        await once(child, 'close')
      })
      const port = await new Promise<string>((resolve) => {
        let log = ''
        child.stdout.on('data', (bytes) => {
          const m = /"port":(\d+),"msg":"open doors"/.exec((log += String(bytes)))
          if (m) resolve(m[1])
        })
      })
      const told = await (await fetch(`http://127.0.0.1:${port}/stations`)).json()
      expect(told).toMatchObject({ group: 'slate-hollow', collector_runs: true, stations: [] })
      expectOpenMetrics(await (await fetch(`http://127.0.0.1:${port}/metrics`)).text())
    },
  )

  it('is refused in words before anything is opened', () => {
    expect(doorsOf({ http: '0.0.0.0:80' })).toContain('--http-password-file')
    expect(doorsOf({ httpPasswordFile: 'x' })).toContain('--http ADDRESS:PORT')
    expect(doorsOf({})).toBeUndefined()
  })
})

describe('figures for the open doors', () => {
  it('come from few processes at once, which end at their limit', async () => {
    const archive = await archiveOfTwo()
    const door = new FigureDoor(archive, [process.execPath, '-e', 'setInterval(() => 1, 1000)', '--'], {
      atOnce: 1,
      seconds: 0.5,
    })
    const first = door.averages('gate', new URLSearchParams())
    const second = await door.averages('gate', new URLSearchParams())
    expect([second.status, second.headers]).toEqual([503, { 'Retry-After': '5' }])
    expect((await first).status).toBe(504)
  })
})

describe('where the doors stand', () => {
  it.each(['127.0.0.1:8080', 'localhost:0', '[::1]:8080'])(
    'needs no password on this machine: %s',
    (http) => {
      expect(doorsIn(http, undefined)).toMatchObject({ ok: true })
    },
  )

  it.each(['0.0.0.0:8080', '[::]:80', '192.0.2.1:80', 'station.example:80'])(
    'needs one elsewhere: %s',
    async (http) => {
      expect(doorsIn(http, undefined)).toMatchObject({ ok: false, code: 2 })
      const file = join(archiveFolder(), 'password')
      writeFileSync(file, await passwordHash('slate and hollow'))
      expect(doorsIn(http, file)).toMatchObject({ ok: true })
      writeFileSync(file, 'slate and hollow')
      expect(doorsIn(http, file)).toMatchObject({ ok: false, code: 2 })
    },
  )

  it.each(['8080', '127.0.0.1', '127.0.0.1:99999', 'http://127.0.0.1:80', ''])(
    'is an address and a port: %s',
    (http) => {
      expect(doorsIn(http, undefined)).toMatchObject({ ok: false, code: 2 })
    },
  )

  it('is a fault with a code where somebody listens already', async () => {
    const first = value(
      await listenHttp({ host: '127.0.0.1', port: 0 }, () => Promise.resolve(problem(404, ''))),
    )
    closers.push(first.close)
    const second = await listenHttp({ host: '127.0.0.1', port: first.port }, () =>
      Promise.resolve(problem(404, '')),
    )
    expect(second).toMatchObject({ ok: false, fault: { code: 'http-unavailable' } })
  })
})

describe('a small HTTP server', () => {
  it('answers 500 for a handler that throws, and lives on', async () => {
    const server = value(
      await listenHttp({ host: '127.0.0.1', port: 0 }, () => Promise.reject(new Error('no'))),
    )
    closers.push(server.close)
    const ask = async () => (await fetch(`http://127.0.0.1:${server.port}/`)).status
    expect([await ask(), await ask()]).toEqual([500, 500])
  })

  it('puts out who takes its time to say what is wanted', async () => {
    const limits = { ...usualHttp, requestSeconds: 1 }
    const server = value(
      await listenHttp({ host: '127.0.0.1', port: 0 }, () => Promise.resolve(problem(404, '')), limits),
    )
    closers.push(server.close)
    expect(await rawly(`http://127.0.0.1:${server.port}`, 'GET / HTTP/1.1\r\nHo')).toMatch(/^HTTP\/1\.1 408/)
  })

  it.each([
    ['127.9.9.9', true],
    ['::1', true],
    ['localhost', true],
    ['127.example', false],
    ['10.0.0.1', false],
  ])('knows this machine: %s %s', (address, expected) => expect(isLoopback(address)).toBe(expected))
})

describe('the guard', () => {
  it('keeps of a password a hash that says nothing of it, another each time', async () => {
    const [one, two] = [await passwordHash('slate and hollow'), await passwordHash('slate and hollow')]
    expect(one).not.toBe(two)
    expect(one).not.toContain('slate')
    const gate = new PasswordGate(readPasswordHash(one)!)
    const basic = (text: string): string => `Basic ${btoa(text)}`
    expect(await gate.lets(basic('x:slate and hollow'))).toBe(true)
    for (const wrong of [
      undefined,
      'Bearer x',
      basic('slate and hollow'),
      basic('x:'),
      basic('x:slate'),
      'Basic ***',
    ])
      expect(await gate.lets(wrong)).toBe(false)
  })

  it('is told the password by a file that http-password writes, once', async () => {
    const file = join(archiveFolder(), 'http-password')
    const made = await ran(() => httpPassword(file, {}))
    expect(made.code).toBe(0)
    const text = readFileSync(file, 'utf8')
    expect([statSync(file).mode & 0o777, text.includes(made.out.trim())]).toEqual([0o600, false])
    expect(
      await new PasswordGate(readPasswordHash(text)!).lets(`Basic ${btoa(`x:${made.out.trim()}`)}`),
    ).toBe(true)
    expect((await ran(() => httpPassword(file, {}))).code).toBe(2)
    expect(readFileSync(file, 'utf8')).toBe(text)
    const nowhere = await ran(() => httpPassword(join(file, 'x'), { force: true }))
    expect(nowhere.code).toBe(1)
  })

  it('counts each client for itself', () => {
    const rate = new RateLimit(2, 1, () => 0)
    expect(['a', 'a', 'a', 'b'].map((client) => rate.takes(client))).toEqual([true, true, false, true])
  })
})
