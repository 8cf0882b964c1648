// Reads a STEP file with a general-purpose geometry kernel and makes triangles of it, on one thread, for the case `step`:
//   step step FOLDER FILE
// Prints one line of JSON as the other programs of this comparison do. Linked against the kernel as Debian has it.

#include <BRepMesh_IncrementalMesh.hxx>
#include <BRep_Tool.hxx>
#include <Poly_Triangulation.hxx>
#include <STEPControl_Reader.hxx>
#include <TopExp_Explorer.hxx>
#include <TopLoc_Location.hxx>
#include <TopoDS.hxx>
#include <TopoDS_Face.hxx>
#include <TopoDS_Shape.hxx>

#include <algorithm>
#include <cstdio>
#include <ctime>
#include <fstream>
#include <string>
#include <vector>

namespace {

double seconds(clockid_t clock) {
  timespec now;
  clock_gettime(clock, &now);
  return now.tv_sec + 1e-9 * now.tv_nsec;
}

struct Cost {
  double wall, cpu;
};

struct Watch {
  double wall = seconds(CLOCK_MONOTONIC), cpu = seconds(CLOCK_PROCESS_CPUTIME_ID);
  Cost stop() const { return {seconds(CLOCK_MONOTONIC) - wall, seconds(CLOCK_PROCESS_CPUTIME_ID) - cpu}; }
};

// A line of /proc/self/status, MiB.
double status_mib(const std::string& name) {
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);)
    if (line.rfind(name, 0) == 0) return std::stod(line.substr(name.size())) / 1024.0;
  return 0.0;
}

Cost median(std::vector<Cost> costs) {
  Cost middle;
  auto of = [&](double Cost::*kind) {
    std::sort(costs.begin(), costs.end(), [&](const Cost& a, const Cost& b) { return a.*kind < b.*kind; });
    return costs[costs.size() / 2].*kind;
  };
  middle.wall = of(&Cost::wall);
  middle.cpu = of(&Cost::cpu);
  return middle;
}

}  // namespace

int main(int count, char** words) {
  if (count != 4) {
    std::fprintf(stderr, "error: step FOLDER FILE\n");
    return 2;
  }
  const std::string path = std::string(words[2]) + "/" + words[3];
  const double base = status_mib("VmRSS:");
  std::vector<Cost> reads, meshes, alls;
  TopoDS_Shape shape;
  // The first time its tables are made; the median of three is without them, as ours is without the first touch of memory.
  for (int n = 0; n < 3; n++) {
    shape.Nullify();
    const Watch watch;
    STEPControl_Reader reader;
    if (reader.ReadFile(path.c_str()) != IFSelect_RetDone) {
      std::fprintf(stderr, "error: %s cannot be read\n", path.c_str());
      return 1;
    }
    reader.TransferRoots();
    shape = reader.OneShape();
    reads.push_back(watch.stop());
    const Watch mesh;
    // 0.01 mm, absolute; half a radian, the kernel's own usual angle; no threads.
    BRepMesh_IncrementalMesh(shape, 0.01, Standard_False, 0.5, Standard_False);
    meshes.push_back(mesh.stop());
    alls.push_back(watch.stop());
  }
  const double peak = status_mib("VmHWM:");
  // What was made, to be compared: faces, triangles and their area, mm2.
  long faces = 0, triangles = 0;
  double area = 0.0;
  for (TopExp_Explorer each(shape, TopAbs_FACE); each.More(); each.Next()) {
    TopLoc_Location location;
    const auto made = BRep_Tool::Triangulation(TopoDS::Face(each.Current()), location);
    if (made.IsNull()) continue;
    faces++;
    for (int i = 1; i <= made->NbTriangles(); i++) {
      int a, b, c;
      made->Triangle(i).Get(a, b, c);
      const gp_Vec u(made->Node(a), made->Node(b)), v(made->Node(a), made->Node(c));
      area += 0.5 * u.Crossed(v).Magnitude();
      triangles++;
    }
  }
  const Cost read = median(reads), mesh = median(meshes), all = median(alls);
  std::printf(
      "{\"base_mib\": %.1f, \"peak_mib\": %.1f, \"faces\": %ld, \"triangles\": %ld, \"area_mm2\": %.6f, \"steps\": "
      "{\"read\": {\"wall\": %.6f, \"cpu\": %.6f}, \"mesh\": {\"wall\": %.6f, \"cpu\": %.6f}, "
      "\"all\": {\"wall\": %.6f, \"cpu\": %.6f}}}\n",
      base, peak, faces, triangles, area, read.wall, read.cpu, mesh.wall, mesh.cpu, all.wall, all.cpu);
  return 0;
}
