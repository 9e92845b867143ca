/**
 * The open doors of a collector: read-only HTTP for programs that stand beside it. Nothing can be changed here; positions are
 * rounded, notes, photos and whom messages go to are not told. On the loopback address by default; elsewhere with a password.
 */
import { readFileSync } from 'node:fs'
import {
  isLoopback,
  listenHttp,
  problem,
  type HttpAnswer,
  type HttpPlace,
  type HttpRequest,
  type HttpServer,
} from '../hardware/http-server.js'
import type { Outcome } from '../terms/terms.js'
import type { Opened } from './desk.js'
import { wrongUse } from './desk.js'
import { FigureDoor, usualFigures, type Program } from './open-doors-figures.js'
import { PasswordGate, RateLimit, readPasswordHash, type PasswordHash } from './open-doors-guard.js'
import { openMetrics, openMetricsType } from './open-doors-metrics.js'
import { openApi } from './open-doors-openapi.js'
import { loadRegister } from './register-file.js'
import { stationJson } from './stations-register.js'
import { standingJson, statusJson } from './stations-status.js'
import type { CollectorStatus } from './stations-status-shape.js'

export interface Doors {
  readonly place: HttpPlace
  readonly password?: PasswordHash
}

/** What is meant by `--http ADDRESS:PORT` and `--http-password-file FILE`. */
export function doorsIn(http: string, passwordFile: string | undefined): Opened<Doors> {
  const m = /^(?:\[([0-9a-fA-F:.]+)\]|([A-Za-z0-9.-]+)):(\d{1,5})$/.exec(http)
  const host = m?.[1] ?? m?.[2]
  if (!m || host === undefined || Number(m[3]) > 65_535)
    return wrongUse(`--http ${http}: expected an address of this machine and a port, as 127.0.0.1:8080`)
  const place = { host, port: Number(m[3]) }
  if (passwordFile === undefined)
    return isLoopback(host)
      ? { ok: true, value: { place } }
      : wrongUse(
          `--http ${http}: others can reach it there, so name --http-password-file (made by motepost stations http-password FILE)`,
        )
  const hash = hashIn(passwordFile)
  return hash
    ? { ok: true, value: { place, password: hash } }
    : wrongUse(`--http-password-file ${passwordFile}: make it with motepost stations http-password FILE`)
}

function hashIn(file: string): PasswordHash | undefined {
  try {
    return readPasswordHash(readFileSync(file, 'utf8').slice(0, 1000))
  } catch {
    return undefined
  }
}

export interface DoorParts {
  readonly archive: string
  status(): CollectorStatus | undefined
  /** Seconds of a clock that only goes forward. */
  readonly nowSeconds: () => number
  readonly program?: Program
}

const ownProgram = (): Program => [process.execPath, process.argv[1]]

/** Fault: http-unavailable. */
export async function openDoors({ place, password }: Doors, parts: DoorParts): Promise<Outcome<HttpServer>> {
  const figures = new FigureDoor(parts.archive, parts.program ?? ownProgram(), usualFigures)
  const rooms = new Rooms(parts, figures)
  const guard = new Guard(place, password, parts.nowSeconds)
  const opened = await listenHttp(
    place,
    async (request) => (await guard.refuses(request)) ?? rooms.answer(request),
  )
  if (!opened.ok) return opened
  const { port, close } = opened.value
  return {
    ok: true,
    value: {
      port,
      close: () => {
        figures.close()
        return close()
      },
    },
  }
}

class Guard {
  private readonly rate: RateLimit
  private readonly failures: RateLimit
  private readonly gate: PasswordGate | undefined

  constructor(
    private readonly place: HttpPlace,
    password: PasswordHash | undefined,
    nowSeconds: () => number,
  ) {
    this.rate = new RateLimit(60, 2, nowSeconds)
    this.failures = new RateLimit(5, 5 / 60, nowSeconds)
    this.gate = password && new PasswordGate(password)
  }

  async refuses({ host, remote, authorization }: HttpRequest): Promise<HttpAnswer | undefined> {
    // A page of a browser on this machine may give any name this address; what asks us by our own name is no such page.
    if (isLoopback(this.place.host) && !isLoopback(nameIn(host)))
      return problem(421, 'ask by the loopback address')
    if (!this.rate.takes(remote)) return tooOften
    if (!this.gate || this.gate.knows(authorization)) return undefined
    // Before the guess is looked at: who has guessed too often does not learn that one was right.
    if (authorization !== undefined && !this.failures.has(remote)) return tooOften
    if (await this.gate.lets(authorization)) return undefined
    if (authorization !== undefined) this.failures.takes(remote)
    return {
      ...problem(401, 'a password is needed'),
      headers: { 'WWW-Authenticate': 'Basic realm="motepost", charset="UTF-8"' },
    }
  }
}

const tooOften: HttpAnswer = { ...problem(429, 'asked too often'), headers: { 'Retry-After': '12' } }

const nameIn = (host = ''): string => /^\[(.+)\](?::\d+)?$/.exec(host)?.[1] ?? host.replace(/:\d+$/, '')

/** What stands behind each path. */
class Rooms {
  constructor(
    private readonly parts: DoorParts,
    private readonly figures: FigureDoor,
  ) {}

  async answer({ path, query }: HttpRequest): Promise<HttpAnswer> {
    if (path === '/openapi.json') return json(openApi())
    const station = /^\/stations\/([a-z0-9][a-z0-9-]{0,31})(?:\/(averages|records))?$/.exec(path)
    if (station?.[2] === 'averages') return this.figures.averages(station[1], query)
    if (station?.[2] === 'records') return this.figures.records(station[1], query)
    if (path !== '/stations' && path !== '/metrics' && !station)
      return problem(404, 'nothing is here; /openapi.json tells what there is')
    const status = this.parts.status()
    if (!status) return problem(503, 'the collector cannot say yet')
    if (path === '/stations') return json(statusJson(status, true))
    if (path === '/metrics') return { status: 200, type: openMetricsType, body: openMetrics(status) }
    return this.station(status, station![1])
  }

  private station({ stations }: CollectorStatus, name: string): HttpAnswer {
    const standing = stations.find(({ station }) => station === name)
    const register = loadRegister(this.parts.archive)
    const registered = register.ok ? register.value.find(({ station }) => station === name) : undefined
    if (!standing && !registered) return problem(404, `no station ${name} was heard`)
    return json(
      JSON.stringify({
        v: 1,
        station: name,
        standing: standing ? standingJson(standing) : null,
        registered: registered ? forOthers(stationJson(registered)) : null,
      }),
    )
  }
}

/** Notes and photos are for those who run the group. */
const forOthers = ({ notes, photos, ...facts }: Record<string, unknown>): Record<string, unknown> => {
  void [notes, photos]
  return facts
}

const json = (text: string): HttpAnswer => ({ status: 200, type: 'application/json', body: text + '\n' })
