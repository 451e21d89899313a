package config

import "vialward/tracker/stock"

func (r *siteReader) labels(files []labelFile) []stock.LabelSize {
	var all []stock.LabelSize
	for i, f := range files {
		at := item("labels", i+1)
		all = append(all, stock.LabelSize{
			Code: f.Code, Name: f.Name, Width: r.millimetres(at+".width_mm", f.Width), Height: r.millimetres(at+".height_mm", f.Height),
			Margin: r.millimetres(at+".margin_mm", f.Margin), Symbol: r.millimetres(at+".symbol_mm", f.Symbol),
			NameType: r.milli(at+".name_type_pt", f.NameType), Type: r.milli(at+".type_pt", f.Type), CodeType: r.milli(at+".code_type_pt", f.CodeType),
			Overwrap: f.Overwrap,
		})
	}
	return all
}

func (r *siteReader) millimetres(path, text string) stock.Micrometres {
	return stock.Micrometres(r.milli(path, text))
}

func sayLabels(all []stock.LabelSize) []labelFile {
	var files []labelFile
	for _, l := range all {
		files = append(files, labelFile{
			Code: l.Code, Name: l.Name, Width: l.Width.MM(), Height: l.Height.MM(), Margin: sayMilli(int64(l.Margin)), Symbol: l.Symbol.MM(),
			NameType: sayMilli(l.NameType), Type: sayMilli(l.Type), CodeType: sayMilli(l.CodeType), Overwrap: l.Overwrap,
		})
	}
	return files
}
